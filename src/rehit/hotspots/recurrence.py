"""Spells between a clearance and the next marking, their design columns, and the mean count."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.stats import norm

from rehit.errors import SettingError, TableError
from rehit.hotspots.exposure import known_places, timeline, window_days
from rehit.parameters import Parameters, load_parameters
from rehit.tables import table

SEASONS = ("summer", "autumn", "winter", "spring")  # southern half of the world, from December
# Columns of the marking cleared before the spell that describe how the clean surface came about.
OF_THE_CLEARANCE = ("substrate", "finish", "medium", "priority", "area_m2", "method")


def rehit_spells(placed_incidents: pd.DataFrame, *, register: pd.DataFrame | None = None,
                 columns: tuple[str, ...] = (), observed_from: pd.Timestamp,
                 observed_to: pd.Timestamp, southern: bool = True,
                 parameters: Parameters | None = None) -> pd.DataFrame:
    """Cut every place's history into spells from a clearance to the next marking.

    Assumptions: as in :func:`rehit.hotspots.exposure.timeline`. Time before a place's first
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
    observed_from, observed_to
        Period the log covers, UTC.
    southern
        Whether seasons are those of the southern half of the world.
    parameters
        Numbers in force.

    Returns
    -------
    pandas.DataFrame
        One row per spell: ``place_id, place_kind, event_number`` (1 = first re-hit), ``start``,
        ``stop`` (days since `observed_from`), ``days`` (stop - start), ``event`` (re-hit, else
        censored), ``days_to_clearance`` (of the marking cleared before), ``clearance_doublings``
        (log2(1 + days_to_clearance): an effect per doubling of the wait), ``season`` (at the
        clearance) and the carried columns; empty where the log has no clearance dates. A re-hit
        reported at the very moment of the clearance gets a spell of ``hotspots.least_spell_days``.

    Examples
    --------
    >>> day = pd.Timestamp("2024-01-01", tz="UTC") + pd.to_timedelta([0, 30], unit="D")
    >>> log = pd.DataFrame({"incident_id": ["a", "b"], "place_id": "w", "place_kind": "site",
    ...     "reported_at": day, "cleared_at": day + pd.Timedelta(days=2), "status": "cleared"})
    >>> rehit_spells(log, observed_from=day[0], observed_to=day[0] + pd.Timedelta(days=60))[
    ...     ["event_number", "start", "stop", "event", "season"]]
       event_number  start  stop  event  season
    0             1    2.0  30.0   True  summer
    1             2   32.0  60.0  False  summer
    """
    numbers = load_parameters() if parameters is None else parameters
    length = window_days(observed_from, observed_to)
    known = known_places(placed_incidents)
    laid = timeline(known, observed_from=observed_from, observed_to=observed_to,
                    parameters=numbers)
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
    cleared_at = observed_from + pd.to_timedelta(spells["start"], unit="D")
    spells["season"] = _season(cleared_at, southern=southern)
    spells["event_number"] = spells.groupby("place_id").cumcount() + 1
    return spells if register is None else _carry_register(spells, register)


def design(spells: pd.DataFrame, *, effects: tuple[str, ...],
           parameters: Parameters | None = None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Turn columns into a numeric design: numbers as they are, words as yes/no against the usual.

    Words with fewer than ``hotspots.min_level_events`` re-hits are put together as "rare"; missing
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
        The design, one column per number or per word other than the most common one, named
        ``column`` or ``column: word (against usual)``; and the spells it belongs to.

    Raises
    ------
    TableError
        If a column is missing.

    Examples
    --------
    >>> spells = pd.DataFrame({"event": [1] * 40, "wall": ["brick"] * 25 + ["metal"] * 15,
    ...                        "lamps": [1.0] * 40})
    >>> x, used = design(spells, effects=("wall", "lamps"))
    >>> list(x.columns), len(used)
    (['wall: metal (against brick)', 'lamps'], 40)
    """
    numbers = load_parameters() if parameters is None else parameters
    missing = [c for c in effects if c not in spells]
    if missing or not effects:
        raise TableError("recurrence design", got=f"no column {', '.join(missing) or 'asked for'}",
                         allowed=", ".join(spells.columns), remedy="name columns of the spells")
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
        raise TableError("mean_cumulative_function", got="an incident of an unknown place, or "
                         "outside its observation", allowed="times from 0 to the place's end",
                         remedy="give every place its end of observation")
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
    columns = {f"{values.name}: {w} (against {order[0]})": (word == w).to_numpy("float64")
               for w in order[1:]}
    return columns, told


def _season(times: pd.Series, *, southern: bool) -> pd.Series:
    quarter = times.dt.month % 12 // 3
    names = SEASONS if southern else (*SEASONS[2:], *SEASONS[:2])
    return quarter.map(dict(enumerate(names))).astype("str")


def _carry_register(spells: pd.DataFrame, register: pd.DataFrame) -> pd.DataFrame:
    """Add the register's columns; where both sides have one, the register's word counts."""
    if "asset_id" not in register:
        raise SettingError("rehit_spells: register", got="no column asset_id",
                           allowed=", ".join(table("register").names),
                           remedy="read it with assets.register.read_register")
    facts = register[[c for c in register.columns if c != "geometry"]].copy()
    facts["asset_id"] = facts["asset_id"].astype("str")
    joined = spells.merge(facts, how="left", left_on="place_id", right_on="asset_id",
                          suffixes=("_logged", "")).drop(columns="asset_id")
    for column in [str(c) for c in joined if str(c).endswith("_logged")]:
        plain = column.removesuffix("_logged")
        joined[plain] = joined[plain].where(joined[plain].notna(), joined[column])
    return joined
