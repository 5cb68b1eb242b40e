"""Spells between a clearance and the next marking, their design columns, and the mean count."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
from scipy.stats import chi2, norm
from scipy.stats import t as student

from rehit.errors import SettingError, TableError
from rehit.messages import Message, as_text, from_text, message
from rehit.observed import Window, known_timeline, time_at_risk
from rehit.parameters import Parameters, load_parameters
from rehit.tables import table

SEASONS = ("summer", "autumn", "winter", "spring")  # southern half of the world, from December
# Columns of the marking cleared before the spell that describe how the clean surface came about.
OF_THE_CLEARANCE = ("substrate", "finish", "medium", "priority", "area_m2", "method")


def rehit_spells(placed_incidents: pd.DataFrame, *, register: pd.DataFrame | None = None,
                 columns: tuple[str, ...] = (), window: Window, southern: bool = True,
                 parameters: Parameters | None = None) -> pd.DataFrame:
    """Cut every place's history into spells from a clearance to the next marking.

    Assumptions: as in :func:`rehit.observed.timeline`. Time before a place's first
    clearance is left out, since nothing is known about the clearance before it. The last spell of
    a place ends with the window, censored. The log must give clearance dates; places known only to
    their street give no spells.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns. Of the incident cleared last, these columns are carried
        where present: ``substrate, finish, medium, priority, area_m2, method`` (method used).
    register
        The owner's assets; every column but the geometry is carried by ``asset_id``.
    columns
        Further columns of `placed_incidents` to carry.
    window
        Period the log covers, UTC.
    southern
        Whether seasons are those of the southern half of the world.
    parameters
        Numbers in force.

    Returns
    -------
    pandas.DataFrame
        One row per spell: ``place_id, place_kind, event_number`` (1 = first re-hit), ``start``,
        ``stop`` (days since the window began), ``days`` (stop - start), ``event`` (re-hit, else
        censored), ``days_to_clearance`` (of the marking cleared before), ``clearance_doublings``
        (log2(1 + days_to_clearance): an effect per doubling of the wait), ``season`` (at the
        clearance) and the carried columns; empty where the log has no clearance dates. A re-hit
        reported at the very moment of the clearance gets a spell of ``hotspots.least_spell_days``.

    Examples
    --------
    >>> day = pd.Timestamp("2024-01-01", tz="UTC") + pd.to_timedelta([0, 30], unit="D")
    >>> log = pd.DataFrame({"incident_id": ["a", "b"], "place_id": "w", "place_kind": "site",
    ...     "reported_at": day, "cleared_at": day + pd.Timedelta(days=2), "status": "cleared"})
    >>> rehit_spells(log, window=Window(day[0], day[0] + pd.Timedelta(days=60)))[
    ...     ["event_number", "start", "stop", "event", "season"]]
       event_number  start  stop  event  season
    0             1    2.0  30.0   True  summer
    1             2   32.0  60.0  False  summer
    """
    numbers = load_parameters() if parameters is None else parameters
    length = window.days
    known, laid = known_timeline(placed_incidents, window=window, parameters=numbers,
                                 columns=(*OF_THE_CLEARANCE, *columns))
    laid = laid[laid["basis"] != "whole_window"]
    known = known.loc[laid.index]
    code = laid["place_code"].to_numpy()
    follows = np.append(code[1:] == code[:-1], False)[: len(code)]
    start = laid["busy_until"].to_numpy()
    stop = np.where(follows, np.append(laid["reported"].to_numpy()[1:], 0)[: len(code)], length)
    usable = np.where(follows, stop >= start, stop > start)
    stop = np.where(follows & (stop == start), start + numbers["hotspots.least_spell_days"], stop)
    spells = pd.DataFrame({
        "place_id": known["place_id"].to_numpy(), "place_kind": known["place_kind"].to_numpy(),
        "start": start, "stop": stop, "days": stop - start, "event": follows,
        "days_to_clearance": (wait := laid["clear"].to_numpy() - laid["reported"].to_numpy()),
        "clearance_doublings": np.log2(1.0 + np.maximum(wait, 0.0)),
        "clearance_basis": laid["basis"].to_numpy(),
    })
    carried = [c for c in (*OF_THE_CLEARANCE, *columns) if c in known and c not in spells]
    for column in carried:
        spells[column] = known[column].array
    spells = spells[usable].reset_index(drop=True)
    cleared_at = window.start + pd.to_timedelta(spells["start"], unit="D")
    spells["season"] = _season(cleared_at, southern=southern)
    spells["event_number"] = spells.groupby("place_id").cumcount() + 1
    return spells if register is None else _carry_register(spells, register)


def design(spells: pd.DataFrame, *, effects: tuple[str, ...],
           parameters: Parameters | None = None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Turn columns into a numeric design: numbers as they are, words as yes/no against the usual.

    Say with fewer than ``hotspots.min_level_events`` re-hits are put together as "rare"; missing
    words become "unknown". Spells with a missing number, or with a word so rare that even all rare
    words together have too few re-hits, are left out, which the second table shows by its length.

    Parameters
    ----------
    spells
        From :func:`rehit_spells`.
    effects
        Columns whose effect on the rate is asked for.
    parameters
        Numbers in force.

    Returns
    -------
    tuple of pandas.DataFrame
        The design, one column per number (named as it is) or per word other than the most common
        one (named by a message ``term.word`` as text); and the spells it belongs to.

    Raises
    ------
    TableError
        If a column is missing.

    Examples
    --------
    >>> spells = pd.DataFrame({"event": [1] * 40, "wall": ["brick"] * 25 + ["metal"] * 15,
    ...                        "lamps": [1.0] * 40})
    >>> x, used = design(spells, effects=("wall", "lamps"))
    >>> list(x.columns)
    ['term.word {"column": "wall", "word": "metal", "against": "brick"}', 'lamps']
    """
    numbers = load_parameters() if parameters is None else parameters
    missing = [c for c in effects if c not in spells]
    if missing or not effects:
        raise TableError("recurrence design", "errors.no_column", names=tuple(missing),
                         known=tuple(map(str, spells.columns)))
    full = np.ones(len(spells), dtype=bool)
    parts: dict[str, np.ndarray] = {}
    for name in effects:
        values = spells[name]
        if pd.api.types.is_numeric_dtype(values) and not pd.api.types.is_bool_dtype(values):
            parts[name] = values.to_numpy(dtype="float64", na_value=np.nan)
            full &= np.isfinite(parts[name])
        else:
            words, told = _words(values, spells["event"],
                                 int(numbers["hotspots.min_level_events"]))
            parts |= words
            full &= told
    kept = pd.DataFrame(parts, index=spells.index)[full]
    return kept, spells[full]


def _term(column: str, word: str, against: str) -> str:
    return as_text(message("term.word", column=column, word=word, against=against))


def mean_cumulative_function(place: np.ndarray, time: np.ndarray, *, ends: pd.Series,
                             at: np.ndarray | None = None, level: float = 0.9) -> pd.DataFrame:
    """Estimate the mean number of incidents per place by each time, with a robust interval.

    Assumptions: places are independent and leave observation for reasons unrelated to incidents;
    nothing is assumed about the incidents of one place (Poisson or not).

    Parameters
    ----------
    place, time
        Place and time of each incident, shape (m,); any one unit of time from 0.
    ends
        End of observation of every place, indexed by place; includes places never hit.
    at
        Times wanted, ascending; default every incident time.
    level
        Coverage of the interval (on the log scale).

    Returns
    -------
    pandas.DataFrame
        ``time, mean, standard_error`` (robust), ``variance_independent`` (the simple sum that
        takes increments as uncorrelated: too large or small where places differ), ``low, high``.

    Raises
    ------
    TableError
        If an incident is of an unknown place or after the end of its observation.

    References
    ----------
    Nelson 1995, Technometrics 37:147-157. Lawless and Nadeau 1995, Technometrics 37:158-168.

    Examples
    --------
    >>> mcf = mean_cumulative_function(np.array(["a", "a", "b"]), np.array([1.0, 3.0, 2.0]),
    ...                                ends=pd.Series({"a": 4.0, "b": 2.5, "c": 4.0}))
    >>> mcf["mean"].round(3).tolist()
    [0.333, 0.667, 1.167]
    """
    code = ends.index.get_indexer(pd.Index(place))
    last = ends.to_numpy(dtype="float64")
    moment = np.asarray(time, "float64")
    if (code < 0).any() or (moment > last[code]).any() or (moment < 0).any():
        raise TableError("mean_cumulative_function", "errors.stray_times")
    when, count = np.unique(moment, return_counts=True)
    at_risk = len(last) - np.searchsorted(np.sort(last), when, side="left")
    wanted = when if at is None else np.asarray(at, "float64")
    mean = np.concatenate([[0.0], np.cumsum(count / at_risk)])
    steps = count * (at_risk - 1.0) / at_risk**3.0  # tied incidents one at a time
    simple = np.concatenate([[0.0], np.cumsum(steps)])
    reach = np.searchsorted(when, wanted, side="right")
    value, spread = mean[reach], _robust_errors(reach, code, moment, last, when, at_risk)
    with np.errstate(divide="ignore", invalid="ignore"):
        factor = np.exp(norm.ppf((1 + level) / 2) * np.where(value > 0, spread / value, 0.0))
    return pd.DataFrame({"time": wanted, "mean": value, "standard_error": spread,
                         "variance_independent": simple[reach], "low": value / factor,
                         "high": value * factor})


def _robust_errors(reach: np.ndarray, code: np.ndarray, moment: np.ndarray, last: np.ndarray,
                   when: np.ndarray, at_risk: np.ndarray) -> np.ndarray:
    """Root of the summed squares of what each place adds to the mean by each time wanted.

    `reach` counts the distinct incident times up to each time wanted, ascending.
    """
    order = np.argsort(moment, kind="stable")
    place, step = code[order], np.searchsorted(when, moment[order])
    count = np.bincount(step, minlength=len(when))
    drift = np.concatenate([[0.0], np.cumsum(count / at_risk**2)])
    final = np.searchsorted(when, last, side="right")
    cut = np.concatenate([[0], np.cumsum(count)])[reach]
    own, done, out = np.zeros(len(last)), 0, np.empty(len(reach))
    for k, (upto, to) in enumerate(zip(reach, cut, strict=True)):
        own += np.bincount(place[done:to], weights=1.0 / at_risk[step[done:to]],
                           minlength=len(last))
        done = to
        out[k] = np.sqrt(((own - drift[np.minimum(upto, final)]) ** 2).sum())
    return out


def _words(values: pd.Series, event: pd.Series,
           least: int) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Yes/no columns of all words but the usual one, and which spells have a word to tell."""
    plain = values.astype("object").map(
        lambda v: ("no", "yes")[v] if isinstance(v, bool) else v)
    word = plain.where(values.notna(), "unknown").astype("str")
    events = event.astype("int64").groupby(word).sum()
    word = word.where(~word.isin(events.index[events < least]), "rare")
    told = np.ones(len(word), dtype=bool)
    if events[events < least].sum() < least:
        told = (word != "rare").to_numpy()
    order = word[told].value_counts().sort_index().sort_values(ascending=False, kind="stable").index
    columns = {_term(str(values.name), str(w), str(order[0])): (word == w).to_numpy("float64")
               for w in order[1:]}
    return columns, told


def _season(times: pd.Series, *, southern: bool) -> pd.Series:
    quarter = times.dt.month % 12 // 3
    names = SEASONS if southern else (*SEASONS[2:], *SEASONS[:2])
    found: pd.Series = quarter.map(dict(enumerate(names))).astype("str")
    return found


def _carry_register(spells: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """Add the register's columns; where both sides have one, the register's word counts."""
    if "asset_id" not in register:
        raise SettingError("rehit_spells: register", "errors.no_column", names=("asset_id",),
                           known=table("register").names)
    facts = register[[c for c in register.columns if c != "geometry"]].copy()
    facts["asset_id"] = facts["asset_id"].astype("str")
    joined = spells.merge(facts, how="left", left_on="place_id", right_on="asset_id",
                          suffixes=("_logged", "")).drop(columns="asset_id")
    for column in [str(c) for c in joined if str(c).endswith("_logged")]:
        plain = column.removesuffix("_logged")
        joined[plain] = joined[plain].where(joined[plain].notna(), joined[column])
    return joined


# Every place's own clock of time at risk: for mean cumulative functions and power-law trends.

def risk_clock(placed_incidents: gpd.GeoDataFrame, *, register: pd.DataFrame | None = None,
               window: Window,
               parameters: Parameters | None = None) -> tuple[pd.DataFrame, pd.Series]:
    """Return when on its place's clock of days at risk each incident on a clean surface came.

    Assumptions: as in :func:`rehit.observed.timeline`; the clock stands still while the
    place waits to be cleared.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns.
    register
        The owner's assets; those never hit are then watched too.
    window
        Period the log covers, UTC.
    parameters
        Numbers in force.

    Returns
    -------
    tuple
        Incidents: ``incident_id, place_id, days_at_risk``; and the days at risk of every place by
        the end of the window, indexed by ``place_id``.

    Examples
    --------
    >>> day = pd.Timestamp("2024-01-01", tz="UTC") + pd.to_timedelta([10, 30], unit="D")
    >>> log = pd.DataFrame({"incident_id": ["a", "b"], "place_id": "w", "place_kind": "site",
    ...     "reported_at": day, "cleared_at": day + pd.Timedelta(days=5), "status": "cleared"})
    >>> times, ends = risk_clock(log, window=Window(
    ...     pd.Timestamp("2024-01-01", tz="UTC"), pd.Timestamp("2024-02-10", tz="UTC")))
    >>> times["days_at_risk"].tolist(), float(ends["w"])
    ([10.0, 25.0], 30.0)
    """
    numbers = load_parameters() if parameters is None else parameters
    length = window.days
    known, laid = known_timeline(placed_incidents, window=window, parameters=numbers)
    summed = time_at_risk(laid, length_days=length, parameters=numbers)
    names = known["place_id"].to_numpy()[laid["first"].to_numpy()]
    ends = pd.Series(summed["exposure_years"].to_numpy() * 365.25, index=names, dtype="float64",
                     name="days_at_risk").rename_axis("place_id").round(9)
    if register is not None:
        listed = register["asset_id"].astype("str")
        unhit = listed[~listed.isin(ends.index)]
        ends = pd.concat([ends, pd.Series(length, index=unhit)]).rename_axis("place_id")
    clean = laid["at_risk"].to_numpy()
    at = (laid["reported"] - laid["waiting_before"]).to_numpy()[clean]
    times = pd.DataFrame({
        "incident_id": known["incident_id"].to_numpy()[clean],
        "place_id": known["place_id"].to_numpy()[clean], "days_at_risk": at.round(9)})
    # A place nearly always waiting is credited some exposure, never less than its last incident.
    last = times.groupby("place_id")["days_at_risk"].max().reindex(ends.index).fillna(0.0)
    return times, ends.clip(lower=last)


# Power-law trend: whether incidents come faster or slower as time at risk goes on.

@dataclass(frozen=True)
class PowerLaw:
    """A power-law Poisson process: expected incidents by time t grow as ``t ** shape``.

    Parameters
    ----------
    shape
        Below 1 the incidents slow down, above 1 they speed up (maximum likelihood).
    shape_unbiased
        The same with the small-sample bias taken out.
    n
        Incidents used.
    end
        End of the observation [unit of the times].
    stopped_at_event
        Whether observation ended with the last incident rather than at a set time.
    """

    shape: float
    shape_unbiased: float
    n: int
    end: float
    stopped_at_event: bool

    def shape_interval(self, *, level: float) -> tuple[float, float]:
        """Exact interval of the shape, by the chi-squared pivot.

        References
        ----------
        Crow 1974, Reliability analysis for complex, repairable systems, SIAM; MIL-HDBK-189.
        """
        free = 2 * (self.n - 1) if self.stopped_at_event else 2 * self.n
        tail = (1 - level) / 2
        unit = self.shape / (2 * self.n)
        return float(chi2.ppf(tail, free) * unit), float(chi2.ppf(1 - tail, free) * unit)


def fit_power_law(times: np.ndarray, *, end: float | None) -> PowerLaw:
    """Fit the power-law (Crow-AMSAA) process to the times of one place's incidents.

    Assumptions: incidents come at random at a rate that is a power of the time at risk; the clock
    starts at 0 with the observation.

    Parameters
    ----------
    times
        Incident times, any one unit, shape (n,), positive; at least two, three if `end` is None.
    end
        Time at which watching stopped; None when it stopped with the last incident.

    Returns
    -------
    PowerLaw

    Raises
    ------
    TableError
        For too few incidents, or times outside the observation.

    References
    ----------
    Crow 1974; MIL-HDBK-189 (1981) appendix C.

    Examples
    --------
    >>> law = fit_power_law(np.array([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]), end=1500)
    >>> round(law.shape, 4), round(law.shape_unbiased, 4)
    (0.5372, 0.4835)
    """
    t = np.sort(np.asarray(times, "float64"))
    least = 3 if end is None else 2
    if len(t) < least or not (t > 0).all() or (end is not None and t[-1] > end):
        raise TableError("fit_power_law", "errors.too_few_times", n=len(t), end=t.max(initial=0),
                         least=least)
    n, last = len(t), float(t[-1] if end is None else end)
    total = float(np.log(last / t).sum())
    shape = n / total
    unbiased = (n - 2 if end is None else n - 1) / total
    return PowerLaw(shape, unbiased, n, last, end is None)


def cramer_von_mises(times: np.ndarray, law: PowerLaw) -> float:
    """Return the Cramer-von Mises distance between incident times and a fitted power law.

    References
    ----------
    MIL-HDBK-189 (1981) appendix C.

    Examples
    --------
    >>> t = np.array([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478])
    >>> round(cramer_von_mises(t, fit_power_law(t, end=1500)), 3)
    0.054
    """
    t = np.sort(np.asarray(times, "float64"))
    used = t[:-1] if law.stopped_at_event else t
    m = len(used)
    middle = (2 * np.arange(1, m + 1) - 1) / (2 * m)
    return float(1 / (12 * m) + (((used / law.end) ** law.shape_unbiased - middle) ** 2).sum())


def fit_chance(times: np.ndarray, law: PowerLaw, *, draws: int,
               rng: np.random.Generator) -> float:
    """Return the chance of a Cramer-von Mises distance at least as great if the law holds.

    The distance does not depend on shape or scale, so simulating uniform times suffices.

    Examples
    --------
    >>> t = np.array([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478])
    >>> law = fit_power_law(t, end=1500)
    >>> fit_chance(t, law, draws=200, rng=np.random.default_rng(1)) > 0.1
    True
    """
    seen = cramer_von_mises(times, law)
    beyond = 0
    for _ in range(draws):
        trial = rng.uniform(size=law.n)
        end = None if law.stopped_at_event else 1.0
        beyond += cramer_von_mises(trial, fit_power_law(trial, end=end)) >= seen
    return (beyond + 1) / (draws + 1)


def read_power_law(law: PowerLaw, *, place: str | Message, level: float = 0.9,
                   apart: bool = True) -> Message:
    """Return what a fitted power law says of a place: ``trend.faster``, ``slower`` or ``untold``.

    The shape of the law is the ratio of the pace at the end to the average pace so far. Where the
    place is not `apart` from the course of the whole log, a change is told as the log's
    (``trend.as_all``).

    Examples
    --------
    >>> law = fit_power_law(np.array([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]), end=1500)
    >>> read_power_law(law, place="W1").code
    'trend.slower'
    """
    low, high = law.shape_interval(level=level)
    way = "faster" if low > 1 else "slower" if high < 1 else "untold"
    if way != "untold" and not apart:
        way = "as_all"
    return message(f"trend.{way}", place=place, shape=law.shape, level=level, low=low, high=high)


# Recurrent-event models: Andersen-Gill and Prentice-Williams-Peterson with grouped robust errors.
#
# The proportional-rates likelihood with late entry is written out here because the usual libraries
# either take the entry time as inside the spell or get the clustered errors wrong when it is used.

TIES = ("efron", "breslow")
ROUNDS = 40
SETTLED = 1e-10


@dataclass(frozen=True)
class RateModel:
    """A fitted model: effects on the log rate, with naive and cluster-robust covariance.

    Parameters
    ----------
    names
        Columns of the design, in the order of `effects`.
    effects
        Change of the log rate per unit of each column.
    naive_covariance, robust_covariance
        Inverse information; the same sandwiched around score residuals summed by place.
    log_likelihood
        Partial log likelihood at the estimate.
    n_spells, n_events, n_clusters
        Size of the data used.
    settled
        Whether the fit converged to finite effects.
    """

    names: tuple[str, ...]
    effects: np.ndarray
    naive_covariance: np.ndarray
    robust_covariance: np.ndarray
    log_likelihood: float
    n_spells: int
    n_events: int
    n_clusters: int
    settled: bool

    def table(self, *, level: float = 0.9) -> pd.DataFrame:
        """Return one row per column: effect, both errors, rate ratio with robust interval, p.

        Interval and p allow for the number of places behind the robust errors: Student's t with
        one degree of freedom less than places, and the errors stretched by sqrt(n / (n - 1)).

        References
        ----------
        Cameron and Miller 2015, J. Human Resources 50:317-372 (few clusters).
        """
        robust = np.sqrt(np.diag(self.robust_covariance))
        free = max(self.n_clusters - 1, 1)
        stretched = robust * np.sqrt((free + 1) / free)
        z = student.ppf((1 + level) / 2, free)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            return pd.DataFrame({
                "name": list(self.names), "effect": self.effects,
                "naive_error": np.sqrt(np.diag(self.naive_covariance)), "robust_error": robust,
                "rate_ratio": np.exp(self.effects), "low": np.exp(self.effects - z * stretched),
                "high": np.exp(self.effects + z * stretched),
                "p_value": 2 * student.sf(np.abs(self.effects / stretched), free),
            })


@dataclass(frozen=True)
class _Clock:
    """Spells sorted out once: who is at risk at which event time."""

    event_at: np.ndarray  # row -> event time it ends with, -1 where censored
    enter: np.ndarray  # row -> number of event times before it enters
    leave: np.ndarray  # row -> number of event times up to its end
    tied: np.ndarray  # event time -> events there
    at: np.ndarray  # (event time, tie) pairs: event time of each
    part: np.ndarray  # (event time, tie) pairs: share of the tied events taken out


def fit_rates(start: np.ndarray, stop: np.ndarray, event: np.ndarray, x: np.ndarray, *,
              names: tuple[str, ...], cluster: np.ndarray, strata: np.ndarray | None = None,
              ties: str = "efron") -> RateModel:
    """Fit a proportional-rates model to spells (start, stop].

    Assumptions: effects multiply the rate and do not change with time; a spell is at risk after
    `start` and up to and with `stop`; spells of one cluster may depend on each other (robust
    covariance), clusters are independent.

    Parameters
    ----------
    start, stop
        Spell limits [any one unit of time], shape (n,), start < stop.
    event
        Whether the spell ended with a marking, shape (n,).
    x
        Design, shape (n, p).
    names
        Names of the p columns.
    cluster
        Place of each spell, shape (n,).
    strata
        Groups with a baseline of their own, shape (n,); default one group.
    ties
        ``efron`` or ``breslow``: how several events at one time are treated.

    Returns
    -------
    RateModel

    Raises
    ------
    SettingError
        For an unknown `ties`, or columns of the design that cannot be told apart.
    TableError
        For spells that do not last, values missing in the design, or no event at all.

    References
    ----------
    Andersen and Gill 1982, Annals of Statistics 10:1100-1120. Therneau and Grambsch 2000, Modeling
    Survival Data, chapter 8 and appendix E. Lin and Wei 1989, JASA 84:1074-1078 (robust errors).

    Examples
    --------
    >>> model = fit_rates(np.zeros(4), np.array([1.0, 2, 3, 4]), np.ones(4),
    ...     np.array([[1.0], [0], [1], [0]]), names=("lit",), cluster=np.arange(4))
    >>> model.effects.round(3)
    array([0.941])
    """
    start, stop = np.asarray(start, "float64"), np.asarray(stop, "float64")
    event, x = np.asarray(event, dtype=bool), np.asarray(x, "float64")
    _check(start, stop, event, x, names, ties)
    clock = _lay_out(start, stop, event, strata, efron=ties == "efron")
    centred = x - x.mean(axis=0)
    effects, value, settled = np.zeros(x.shape[1]), -np.inf, False
    step = np.zeros(x.shape[1])
    for _ in range(ROUNDS):
        trial, score, information, _ = _sums(effects + step, centred, event, clock)
        if trial < value - SETTLED * abs(value):
            step = step / 2
            continue
        effects, gain, value = effects + step, trial - value, trial
        if gain < SETTLED * (1 + abs(value)):
            settled = True
            break
        step = np.linalg.pinv(information, hermitian=True) @ score
    _, _, information, residuals = _sums(effects, centred, event, clock)
    naive = np.linalg.pinv(information, hermitian=True)
    code, groups = pd.factorize(np.asarray(cluster))
    influence = _summed(residuals, code, len(groups)) @ naive
    # Monotone likelihood "settles" far out: no finite effect explains the data better.
    # So does a column that never varies among those at risk together: its information is nil.
    scale = np.sqrt(np.diag(information).clip(min=1e-300))
    told_apart = np.linalg.cond(information / np.outer(scale, scale)) < 1e10
    finite = bool(told_apart and np.sqrt(np.diag(naive)).max() < 50)
    return RateModel(tuple(names), effects, naive, influence.T @ influence, value, len(start),
                     int(event.sum()), len(groups), settled and finite)


def andersen_gill(spells: pd.DataFrame, x: pd.DataFrame, *, ties: str = "efron") -> RateModel:
    """Fit the Andersen-Gill model: one baseline on the clock of the window, every spell alike.

    The baseline follows the calendar, so season is in it already: read the effect of season from
    the gap clock of :func:`prentice_williams_peterson`.

    Parameters
    ----------
    spells
        ``place_id, start, stop, event`` (see :func:`rehit.hotspots.recurrence.rehit_spells`).
    x
        Numeric design with the index of `spells`.
    ties
        As in :func:`fit_rates`.
    """
    return fit_rates(spells["start"].to_numpy(), spells["stop"].to_numpy(),
                     spells["event"].to_numpy(), x.to_numpy(dtype="float64"),
                     names=tuple(x.columns), cluster=spells["place_id"].to_numpy(), ties=ties)


def prentice_williams_peterson(spells: pd.DataFrame, x: pd.DataFrame, *, clock: str,
                               last_stratum: int | None = None,
                               ties: str = "efron") -> RateModel:
    """Fit the Prentice-Williams-Peterson model: a baseline of its own for every further re-hit.

    Parameters
    ----------
    spells
        ``place_id, start, stop, event, event_number``.
    x
        Numeric design with the index of `spells`.
    clock
        ``total`` (time since the window began) or ``gap`` (time since the last clearance).
    last_stratum
        Later re-hits share one baseline from this number on; default none share.
    ties
        As in :func:`fit_rates`.

    Raises
    ------
    SettingError
        For an unknown clock, and as in :func:`fit_rates`.

    References
    ----------
    Prentice, Williams and Peterson 1981, Biometrika 68:373-379.
    """
    if clock not in ("total", "gap"):
        raise SettingError("prentice_williams_peterson", "errors.unknown_name", name=clock,
                           known=("total", "gap"))
    start, stop = spells["start"].to_numpy("float64"), spells["stop"].to_numpy("float64")
    strata = spells["event_number"].to_numpy()
    if last_stratum is not None:
        strata = np.minimum(strata, last_stratum)
    if clock == "gap":
        start, stop = np.zeros(len(start)), stop - start
    return fit_rates(start, stop, spells["event"].to_numpy(), x.to_numpy(dtype="float64"),
                     names=tuple(x.columns), cluster=spells["place_id"].to_numpy(),
                     strata=strata, ties=ties)


def _lay_out(start: np.ndarray, stop: np.ndarray, event: np.ndarray, strata: np.ndarray | None, *,
             efron: bool) -> _Clock:
    """Give every stratum its own stretch of whole-number time, so that one pass serves all."""
    moments, rank = np.unique(np.concatenate([start, stop]), return_inverse=True)
    code = np.zeros(len(start), int) if strata is None else pd.factorize(np.asarray(strata))[0]
    begin = code * (len(moments) + 1) + rank[: len(start)]
    end = code * (len(moments) + 1) + rank[len(start):]
    times, tied = np.unique(end[event], return_counts=True)
    event_at = np.where(event, np.searchsorted(times, end), -1)
    at = np.repeat(np.arange(len(times)), tied)
    nth = np.arange(len(at)) - np.repeat(np.cumsum(tied) - tied, tied)
    part = nth / tied[at] if efron else np.zeros(len(at))
    return _Clock(event_at, np.searchsorted(times, begin, side="right"),
                  np.searchsorted(times, end, side="right"), tied, at, part)


def _sums(effects: np.ndarray, x: np.ndarray, event: np.ndarray,
          clock: _Clock) -> tuple[float, np.ndarray, np.ndarray, np.ndarray]:
    """Log likelihood, score, information, and score residual of every row."""
    eta = x @ effects
    shift = eta.max()
    risk = np.exp(eta - shift)
    many = len(clock.tied)
    both = np.column_stack([risk, risk[:, None] * x])
    # Sum over the rows at risk at each event time: those entered, less those gone.
    change = _summed(both, clock.enter, many + 1) - _summed(both, clock.leave, many + 1)
    present = np.cumsum(change, axis=0)[:many]
    deaths = _summed(both[event], clock.event_at[event], many)
    pool = present[clock.at] - clock.part[:, None] * deaths[clock.at]
    size, mean = pool[:, 0], pool[:, 1:] / pool[:, :1]
    value = float(eta[event].sum() - np.log(size).sum() - shift * len(size))
    score = x[event].sum(axis=0) - mean.sum(axis=0)
    # Steps of the baseline, and of the baseline times the mean design, at each event time.
    ones = np.column_stack([np.ones(len(size)), mean]) / size[:, None]
    steps, spared, means = (_summed(rows, clock.at, many) for rows in (
        ones, ones * clock.part[:, None], mean))
    ahead = np.concatenate([np.zeros((1, both.shape[1])), np.cumsum(steps, axis=0)])
    lived = ahead[clock.leave] - ahead[clock.enter]
    lived[event] -= spared[clock.event_at[event]]  # tied events count in part only (Efron)
    information = (x * (risk * lived[:, 0])[:, None]).T @ x - mean.T @ mean
    residuals = -risk[:, None] * (x * lived[:, :1] - lived[:, 1:])
    own = clock.event_at[event]
    residuals[event] += x[event] - means[own] / clock.tied[own][:, None]
    return value, score, information, residuals


def _summed(rows: np.ndarray, group: np.ndarray, n_groups: int) -> np.ndarray:
    """Add up the rows of each group, by column."""
    return np.column_stack([np.bincount(group, weights=column, minlength=n_groups)
                            for column in rows.T])


def _check(start: np.ndarray, stop: np.ndarray, event: np.ndarray, x: np.ndarray,
           names: tuple[str, ...], ties: str) -> None:
    if ties not in TIES:
        raise SettingError("fit_rates", "errors.unknown_name", name=ties, known=tuple(TIES))
    if not (start < stop).all() or not np.isfinite(x).all() or not event.any():
        raise TableError("fit_rates: spells", "errors.bad_spells")
    centred = x - x.mean(axis=0)
    scale = np.sqrt((centred**2).mean(axis=0))
    flat = [n for n, s in zip(names, scale, strict=True) if s == 0]
    if flat or np.linalg.matrix_rank(centred / np.where(scale > 0, scale, 1)) < x.shape[1]:
        raise SettingError("fit_rates: design", "errors.columns_alike", names=tuple(flat or names))


# What the models say.

def read_rate_model(model: RateModel, *,
                    parameters: Parameters | None = None) -> tuple[Message, ...]:
    """Return what each effect of a fitted model means (``compared.*``), then the untold ones.

    Parameters
    ----------
    model
        A fitted model.
    parameters
        Uses ``hotspots.verdict_level``: many effects are read at once, so that an effect is called
        one only where that wide an interval leaves out none. Uses ``hotspots.min_model_places``
        too: errors taken from the scatter between few places would look far too small.

    Examples
    --------
    >>> model = RateModel(("lit",), np.array([-0.5]), np.eye(1) * 0.01, np.eye(1) * 0.01, -1.0,
    ...                   400, 200, 80, True)
    >>> [found.code for found in read_rate_model(model)]
    ['compared.lower', 'compared.size', 'spells.association']
    """
    numbers = load_parameters() if parameters is None else parameters
    level = numbers["hotspots.verdict_level"]
    if not model.settled:
        return (message("compared.unsettled", hits=model.n_events, places=model.n_clusters),)
    if model.n_clusters < numbers["hotspots.min_model_places"]:
        return (message("compared.few_places", places=model.n_clusters,
                        least=numbers["hotspots.min_model_places"]),)
    table = model.table(level=level)
    way = np.select([table["low"] > 1, table["high"] < 1], ["higher", "lower"], "untold")
    found = [message(f"compared.{way}", term=_term_found(name), ratio=ratio, level=level, low=low,
                     high=high)
             for way, name, ratio, low, high in zip(
                 way, *(table[c].tolist() for c in ("name", "rate_ratio", "low", "high")),
                 strict=True)]
    found.sort(key=lambda told: told.code == "compared.untold")
    return (*found, message("compared.size", hits=model.n_events, spells=model.n_spells,
                            places=model.n_clusters), message("spells.association"))


def _term_found(name: str) -> Message:
    if name == "clearance_doublings":
        return message("term.wait")
    return from_text(name) if name.startswith("term.") else message("term.unit", column=name)


def read_mean_count(mcf: pd.DataFrame, *, level: float = 0.9) -> Message:
    """Return how many incidents a place has had on average by the end of its cumulative function.

    Examples
    --------
    >>> read_mean_count(pd.DataFrame({"time": [365.0], "mean": [2.5], "low": [2.0],
    ...                               "high": [3.1]})).facts["mean"]
    np.float64(2.5)
    """
    if len(mcf) == 0:
        return message("spells.no_mean")
    last = mcf.iloc[-1]
    return message("spells.mean", days=last["time"], mean=last["mean"], level=level,
                   low=last["low"], high=last["high"])


def rapid_clearance(spells: pd.DataFrame, *, effects: tuple[str, ...] = (),
                    parameters: Parameters | None = None) -> tuple[RateModel | None, Message]:
    """Estimate what waiting longer for clearance goes together with, place by place.

    Published evidence conflicts, so nothing is assumed: each place is its own baseline (walls hit
    often may also be cleared sooner, which would mislead a comparison between places), the clock
    is the time since clearance, and the answer is an interval. The first column of the model is
    the time to clearance in doublings, log2(days + 1). The interval has the coverage
    ``hotspots.verdict_level``, so that an absent effect is seldom called one.

    Parameters
    ----------
    spells
        From :func:`rehit_spells`.
    effects
        Further columns to hold equal, such as ``priority`` (offensive markings are cleared first)
        or ``season``.
    parameters
        Uses ``hotspots.verdict_level`` and ``hotspots.min_rapid_events``.

    Returns
    -------
    tuple
        The model (None where there are too few re-hits) and a message ``waiting.*``.

    References
    ----------
    Within-place baselines: Holt and Prentice 1974, Biometrika 61:17-30.
    """
    numbers = load_parameters() if parameters is None else parameters
    level = numbers["hotspots.verdict_level"]
    used = spells[spells["clearance_basis"] == "observed"]
    # A place with one spell, or no re-hit, has nothing to compare with itself.
    per_place = used.groupby("place_id")["event"].agg(["size", "sum"])
    able = per_place.index[(per_place["size"] > 1) & (per_place["sum"] > 0)]
    used = used[used["place_id"].isin(able)]
    n = int(used["event"].sum())
    if n < numbers["hotspots.min_rapid_events"] or len(able) < numbers[
            "hotspots.min_model_places"]:
        return None, message("waiting.few", hits=n, places=len(able))
    x, kept = design(used, effects=("clearance_doublings", *effects), parameters=numbers)
    x = _told_apart_within(x, kept["place_id"])
    if "clearance_doublings" not in x:
        return None, message("waiting.all_alike")
    model = fit_rates(np.zeros(len(kept)), kept["days"].to_numpy(), kept["event"].to_numpy(),
                      x.to_numpy(), names=tuple(x.columns), cluster=kept["place_id"].to_numpy(),
                      strata=kept["place_id"].to_numpy())
    return model, _waiting_found(model, level)


def _told_apart_within(x: pd.DataFrame, place: pd.Series) -> pd.DataFrame:
    """Keep the columns that vary within places and say what the columns before them do not."""
    centred = x - x.groupby(place.to_numpy()).transform("mean")
    scale = np.sqrt(np.square(centred).mean()).to_numpy()
    unit = centred.to_numpy() / np.where(scale > 1e-9, scale, np.inf)
    products = unit.T @ unit / max(len(x), 1)
    kept: list[int] = []
    for j in range(products.shape[0]):
        trial = [*kept, j]
        if np.linalg.matrix_rank(products[np.ix_(trial, trial)], tol=1e-8) == len(trial):
            kept = trial
    return x.iloc[:, kept]


def _waiting_found(model: RateModel, level: float) -> Message:
    if not model.settled:
        return message("waiting.unsettled")
    row = model.table(level=level).iloc[0]
    way = "faster" if row["low"] > 1 else "slower" if row["high"] < 1 else "untold"
    return message(f"waiting.{way}", ratio=row["rate_ratio"], level=level, low=row["low"],
                   high=row["high"], hits=model.n_events, places=model.n_clusters)
