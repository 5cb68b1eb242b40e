"""Time at risk: a wall that waits to be cleaned cannot be re-hit, so waiting days do not count.

A *re-hit* is an incident on a surface that had been cleared since the one before. An incident that
arrives while an earlier one still waits is a marking on a dirty wall: it is counted, but it is
neither a re-hit nor evidence about how fast a clean wall is hit. Nor is a marking on another thing
at the same place: where the log names what was marked, a re-hit needs the same thing, and at a
crossing, which holds many things, it is none unless the log names one. What this leaves open is
told as a range (:func:`rehit_range`).
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np
import pandas as pd

from rehit.errors import SettingError, TableError
from rehit.messages import Message, message
from rehit.parameters import Parameters

NEEDED = ("incident_id", "place_id", "place_kind", "reported_at", "cleared_at", "status")
OF_A_CLOCK = (*NEEDED[1:], "object")  # what a timeline is laid from
OF_A_PLACE = (*NEEDED, "object", "place_quality", "asset_id_given", "address_key", "street_key")
DAYS_PER_YEAR = 365.25
#: What an incident is on its place; see :func:`incident_kinds`.
KINDS = ("first", "rehit", "uncertain", "no_place")
#: Qualities of a place that cannot show a wall recurring, unless the log gives its number.
POOR = ("block", "street", "default", "none")
#: Kinds of place that hold many surfaces: what happens there twice need not be on one of them.
MANY_SURFACES = ("crossing", "block", "street")
#: Of these, those whose point stands for a stretch, not for a spot.
STRETCHES = ("block", "street")
PLACES = ("asset", "site", *MANY_SURFACES)
#: Words for where on a property a marking was, not for a thing. Two of them are two surfaces, but
#: not surely: reports that a city itself called repeats differed in them by a fifth (docs/limits).
SIDES = ("front", "rear", "side", "alley")
#: What shows that a re-hit was on the same surface; see :func:`surface_basis`.
SURFACE_BASES = ("asset", "object", "side", "address", "point")


@dataclass(frozen=True)
class Window:
    """The time that a log covers, both ends counted in.

    Parameters
    ----------
    start, end
        Times with a time zone.

    Examples
    --------
    >>> january = Window(pd.Timestamp("2024-01-01", tz="UTC"), pd.Timestamp("2024-01-31", tz="UTC"))
    >>> january.days
    30.0
    """

    start: pd.Timestamp
    end: pd.Timestamp

    def checked(self) -> Window:
        """Return itself, if it is a window at all.

        Raises
        ------
        SettingError
            If it is not longer than nothing, or a time is missing or has no time zone.
        """
        good = all(isinstance(t, pd.Timestamp) and not pd.isna(t) and t.tzinfo is not None
                   for t in (self.start, self.end))
        if not good or self.end <= self.start:
            raise SettingError(message("where.window"), "errors.not_a_window",
                               start=str(self.start), end=str(self.end))
        return self

    @property
    def days(self) -> float:
        """Its length [days], refusing a window that is none."""
        self.checked()
        return (self.end - self.start).total_seconds() / 86_400

    @property
    def years(self) -> float:
        """Its length [years]."""
        return self.days / DAYS_PER_YEAR

    def holds(self, times: pd.Series) -> pd.Series:
        """Say which times lie in it."""
        return times.between(self.start, self.end)

    def month_edges(self, time_zone: str) -> list[pd.Timestamp]:
        """Return the beginnings of months inside it, by the clock of the place, in UTC."""
        start = self.start.tz_convert(time_zone).tz_localize(None).normalize()
        # A log that ends within the last minutes of a month holds that month whole.
        end = (self.end + pd.Timedelta(hours=12)).tz_convert(time_zone).tz_localize(None)
        months = pd.date_range(start, end, freq="MS").tz_localize(time_zone, ambiguous=True,
                                                                  nonexistent="shift_forward")
        return list(months.tz_convert("UTC"))


def known_places(placed_incidents: pd.DataFrame) -> pd.DataFrame:
    """Return the incidents whose place is good enough to recur, with an honest place kind.

    Incidents without a place are left out. One that the log locates only to a street, or by a
    default point, never makes an asset or site recur unless the log itself gave the asset number:
    it is counted under its block or street where that is known, and left out otherwise.

    Parameters
    ----------
    placed_incidents
        Incidents with the placed columns merged in.

    Returns
    -------
    pandas.DataFrame
        The rows kept, in the same order, with ``place_id`` and ``place_kind`` filled.

    Raises
    ------
    TableError
        If a needed column is missing.
    """
    missing = [c for c in NEEDED if c not in placed_incidents.columns]
    if missing:
        raise TableError(message("where.placed_incidents"), "errors.not_placed",
                         names=tuple(missing))
    kind = placed_incidents["place_kind"].astype("str")
    place = placed_incidents["place_id"].astype("str")
    if "place_quality" in placed_incidents:
        given = placed_incidents.get("asset_id_given")
        by_number = given.notna() if given is not None else pd.Series(False, placed_incidents.index)
        quality = placed_incidents["place_quality"]
        poor = quality.isin(POOR) & ~by_number & kind.isin(["asset", "site"])
        if poor.any():
            kind = kind.mask(poor, "none")
            for code, column in (("block", "address_key"), ("street", "street_key")):
                name = placed_incidents.get(column)
                if name is not None:
                    here = poor & (quality == code) & name.notna()
                    kind = kind.mask(here, code)
                    place = place.mask(here, f"{code}: " + name.astype("str"))
    keep = kind.isin(PLACES) & place.notna()
    kept = placed_incidents.loc[keep]
    return kept.assign(place_id=place[keep], place_kind=kind[keep])


def incident_kinds(placed_incidents: pd.DataFrame, *, window: Window,
                   parameters: Parameters) -> pd.Series:
    """Say of each incident whether it is the first on its surface, a re-hit, or cannot be told.

    The re-hits are those that :func:`timeline` marks, so that a report's sum over the whole window
    is the ranking's. ``uncertain``: an earlier one still waited, or came so shortly before that a
    clearance in between would have to be assumed, or the log does not say which thing at a crossing
    was marked. ``no_place``: the place is known to the block or street at best and no thing is
    named, and so it cannot recur.

    Parameters
    ----------
    placed_incidents, window, parameters
        As in :func:`timeline`; all incidents of the log, not those of one period.

    Returns
    -------
    pandas.Series
        Codes of :data:`KINDS` on the index of `placed_incidents`.
    """
    known, laid = known_timeline(placed_incidents, window=window, parameters=parameters)
    laid = laid[laid["surface_told"] | ~known["place_kind"].isin(STRETCHES)]
    first = laid["first"] | (laid["surface_first"] & laid["surface_told"])
    kind = np.select([first, laid["rehit"]], ["first", "rehit"], "uncertain")
    told = pd.Series(kind, index=laid.index, dtype="str")
    return told.reindex(placed_incidents.index, fill_value="no_place")


def surface_basis(known: pd.DataFrame, laid: pd.DataFrame) -> pd.Series:
    """Say of each re-hit what shows that it was on the surface marked before.

    Parameters
    ----------
    known, laid
        As :func:`known_timeline` returns them.

    Returns
    -------
    pandas.Series
        On the index of the re-hits: ``asset`` (of the register), ``object`` (the log names the same
        thing both times), ``side`` (the same side of the property), ``address`` or ``point`` (the
        same house or the same spot, the thing not named).
    """
    hits = known.loc[laid["rehit"]]
    named = laid.loc[hits.index, "same_object"]
    side = named & hits["object"].isin(SIDES) if "object" in hits else named & False
    address = hits["place_quality"].eq("address") if "place_quality" in hits else named & False
    basis = np.select([hits["place_kind"].eq("asset"), side, named, address],
                      ["asset", "side", "object", "address"], "point")
    return pd.Series(basis, index=hits.index, dtype="str")


def surfaces_told(placed_incidents: pd.DataFrame, repeats: pd.DataFrame, *, window: Window,
                  parameters: Parameters) -> tuple[Message, ...]:
    """Return how sure it is that re-hits were on one surface, and which places hold many.

    Parameters
    ----------
    placed_incidents, window, parameters
        As in :func:`timeline`.
    repeats
        The places: ``place_kind``.
    """
    known, laid = known_timeline(placed_incidents, window=window, parameters=parameters)
    basis = surface_basis(known, laid)
    many = int(repeats["place_kind"].isin(MANY_SURFACES).sum())
    told = []
    if len(basis):
        shares = {code: float(basis.eq(code).mean()) for code in SURFACE_BASES}
        told.append(message("ranking.same_surface", n=len(basis), parts=tuple(
            message(f"ranking.same_{code}", share=share) for code, share in shares.items()
            if share > 0)))
    most = int(laid["rehit_at_most"].sum())
    if most > len(basis):
        told.append(message("ranking.surface_doubt", n=most - len(basis), least=len(basis),
                            most=most))
    if many:
        told.append(message("ranking.many_surfaces", n=many))
    return tuple(told)


def known_timeline(placed_incidents: pd.DataFrame, *, window: Window, parameters: Parameters,
                   columns: Collection[str] = ()) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the incidents of :func:`known_places` in the window and their :func:`timeline`.

    Both have the same index, by place and time. The incidents keep what tells their place and
    clock, and those of `columns` that are there: a large log's notes need not be put in order.
    """
    known = known_places(placed_incidents[[
        name for name in placed_incidents.columns if name in OF_A_PLACE or name in columns]])
    laid = timeline(known, window=window, parameters=parameters)
    return known.loc[laid.index], laid


def timeline(placed_incidents: pd.DataFrame, *, window: Window,
             parameters: Parameters) -> pd.DataFrame:
    """Lay every incident on its place's own clock of waiting and risk.

    Assumptions: a case still open waits until the end of the window, or until the next clearance at
    the same place if that comes first (the crew would have seen it); a case that is closed without
    a date, or whose fate is unknown, waits the log's own median time to clearance; where the log
    gives (almost) no clearance dates nobody is taken to wait, the exposure is the whole window,
    and a re-hit is an incident at least :func:`plausible_waits` after the one before. A
    crossing, block or street has many surfaces: one that waits does not keep the others from being
    hit, so these have the whole window. There a further incident is a re-hit only where the log
    names the same thing both times. At a site two things that differ are two surfaces; an asset is
    one whatever the log calls it.

    Parameters
    ----------
    placed_incidents
        Incidents with ``place_id, place_kind, reported_at, cleared_at, status``, and ``object``
        where the log names things.
    window
        Observation window, UTC.
    parameters
        Uses ``hotspots.min_dated_share`` and what :func:`plausible_waits` uses.

    Returns
    -------
    pandas.DataFrame
        One row per incident inside the window, ordered by place and time, index = that of the
        input: ``place_code`` (0..n-1 in order of ``place_id``), ``reported`` and ``clear``
        (days since the window began; ``clear`` capped at the window), ``waiting_before`` (days the
        place had waited before this report), ``at_risk`` (the place was clean when hit),
        ``rehit``, ``rehit_at_most`` (one too if sides of a property are one surface, and a thing
        not named is the one marked before), ``first`` (on its place) and ``basis`` (observed,
        imputed or whole_window); ``surface_told`` (it is known which surface of the place),
        ``surface_first`` (nothing earlier on that surface) and ``same_object`` (the log names the
        same thing as earlier there).
    """
    length = window.days
    reported = _days_since(placed_incidents["reported_at"], window.start)
    inside = (reported >= 0) & (reported <= length)
    rows = placed_incidents.loc[inside, [c for c in OF_A_CLOCK if c in placed_incidents.columns]]
    codes = pd.factorize(rows["place_id"], sort=True)[0]
    order = np.lexsort((reported[inside], codes))
    rows, codes, reported = rows.iloc[order], codes[order], reported[inside][order]
    first = np.ones(len(codes), dtype=bool)
    first[1:] = codes[1:] != codes[:-1]
    clear, basis, dated = _clear_days(rows, reported, codes, window.start, length, parameters)
    # At an undated place the time since the one before must stand in for the clearance.
    clean = np.minimum(clear, length) if dated else (
        reported + plausible_waits(rows, parameters=parameters)[1])
    many = rows["place_kind"].isin(MANY_SURFACES).to_numpy()
    clear = np.where(many, reported, clear)
    surface = _surfaces(rows, codes, reported, clean)
    waiting_before, busy_until = _union_waiting(codes, first, reported, clear, length)
    before = np.concatenate([[-np.inf], busy_until[:-1]])
    at_risk = first | (reported >= before)
    again = at_risk & ~first
    return pd.DataFrame({
        "place_code": codes, "reported": reported, "clear": clear, "waiting_before": waiting_before,
        "busy_until": busy_until, "at_risk": at_risk, "first": first,
        "rehit": again & surface["again"].to_numpy(),
        "rehit_at_most": again & surface["perhaps"].to_numpy(),
        "basis": basis, **{name: surface[name].to_numpy() for name in (
            "surface_told", "surface_first", "same_object")},
    }, index=rows.index)


def _surfaces(rows: pd.DataFrame, codes: np.ndarray, reported: np.ndarray,
              clean: np.ndarray) -> pd.DataFrame:
    """Say for each incident whether its surface was marked before, and cleaned since.

    Rows are ordered by place and time. A thing that is not named may be any at its site; `perhaps`
    it is any at its crossing too, and so is what is named by a side alone.
    """
    kind = rows["place_kind"].to_numpy(dtype=object)
    named = _named(rows) & (kind != "asset")
    many = np.isin(kind, MANY_SURFACES)
    own = pd.Series(_own_surface(rows, codes))

    def before(sure: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        until, place = pd.Series(clean), pd.Series(codes)
        return (_before(until.where(sure), own), _before(until.where(~sure), place),
                _before(until, place))

    of_own, of_unnamed, of_any = before(named)
    last = np.select([many, named], [of_own, np.fmax(of_own, of_unnamed)], of_any)
    told = ~many | named
    marked = told & (last > -np.inf)
    again = marked & (reported >= last)
    thing = named & ~_named(rows, SIDES)
    same, other, _ = before(thing)
    last = np.where(thing, np.fmax(same, other), of_any)
    perhaps = (last > -np.inf) & (reported >= last) & ~np.isin(kind, STRETCHES)
    return pd.DataFrame({
        "again": again, "perhaps": again | perhaps, "surface_told": told,
        "surface_first": ~marked, "same_object": named & (of_own > -np.inf)})


def _named(rows: pd.DataFrame, names: tuple[str, ...] = ()) -> np.ndarray:
    """Where a thing is named, or by one of some names."""
    if "object" not in rows:
        return np.zeros(len(rows), dtype=bool)
    things = rows["object"]
    return np.asarray(things.isin(names) if names else things.notna(), dtype=bool)


def _own_surface(rows: pd.DataFrame, codes: np.ndarray) -> np.ndarray:
    """Number the things at each place; those not named are one."""
    things = (pd.factorize(rows["object"].astype("str").fillna(""))[0] if "object" in rows
              else np.zeros(len(rows), int))
    return _numbered_pairs(codes, things)


def _numbered_pairs(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Number the different pairs of two whole numbers from 0, in order of appearance."""
    least = other.min(initial=0)
    return np.asarray(pd.factorize(one * (other.max(initial=0) - least + 1) + other - least)[0])


def _before(values: pd.Series, group: pd.Series) -> np.ndarray:
    """Return the largest value of the earlier rows of each row's group; minus infinite for none."""
    filled = values.fillna(-np.inf)
    return filled.groupby(group).cummax().groupby(group).shift(fill_value=-np.inf).to_numpy()


def time_at_risk(laid: pd.DataFrame, *, length_days: float, parameters: Parameters) -> pd.DataFrame:
    """Sum a timeline to one row per place.

    Parameters
    ----------
    laid
        From :func:`timeline`.
    length_days
        Length of the observation window [days].
    parameters
        Uses ``hotspots.min_exposure_days``, so that a place that always waits keeps some exposure.

    Returns
    -------
    pandas.DataFrame
        Index ``place_code``: ``n_incidents, n_at_risk, n_rehits, waiting_days, exposure_years,
        exposure_basis``.
    """
    by_place = laid.groupby("place_code", sort=True)
    last = by_place.tail(1).set_index("place_code")
    waited = last["waiting_before"] + (last["busy_until"].clip(upper=length_days)
                                       - last["reported"]).clip(lower=0)
    sums = laid[["at_risk", "rehit"]].astype("int64").groupby(laid["place_code"]).sum()
    imputed = (laid["basis"] == "imputed").groupby(laid["place_code"]).any()
    undated = (laid["basis"] == "whole_window").groupby(laid["place_code"]).all()
    basis = np.select([undated, imputed], ["whole_window", "imputed"], "observed")
    at_risk_days = (length_days - waited).clip(lower=parameters["hotspots.min_exposure_days"])
    return pd.DataFrame({
        "n_incidents": by_place.size(), "n_at_risk": sums["at_risk"], "n_rehits": sums["rehit"],
        "waiting_days": waited, "exposure_years": at_risk_days / DAYS_PER_YEAR,
        "exposure_basis": pd.Series(basis, index=sums.index, dtype="str"),
    })


def waiting_between(laid: pd.DataFrame, *, from_day: float, to_day: float) -> pd.Series:
    """Return each place's days of waiting between two days of the window, overlaps counted once.

    Parameters
    ----------
    laid
        From :func:`timeline`.
    from_day, to_day
        Days since the window began.

    Returns
    -------
    pandas.Series
        Days, indexed by ``place_code``.
    """
    begin, end = waits(laid)
    days = np.maximum(np.minimum(end, to_day) - np.maximum(begin, from_day), 0.0)
    return pd.Series(days).groupby(laid["place_code"].to_numpy()).sum().rename_axis("place_code")


def waits(laid: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return when each incident's own part of its place's waiting begins and ends [days].

    Parts of one place never overlap; an incident that adds no waiting ends no later than it begins.

    Parameters
    ----------
    laid
        From :func:`timeline`.
    """
    end = laid["busy_until"].to_numpy()
    before = np.where(laid["first"].to_numpy(), -np.inf, np.concatenate([[0.0], end])[: len(end)])
    return np.maximum(laid["reported"].to_numpy(), before), end


def _days_since(times: pd.Series, origin: pd.Timestamp) -> np.ndarray:
    return np.array((times - origin) / pd.Timedelta(days=1), dtype="float64")


def _clear_days(rows: pd.DataFrame, reported: np.ndarray, codes: np.ndarray, origin: pd.Timestamp,
                length: float, parameters: Parameters) -> tuple[np.ndarray, np.ndarray, bool]:
    """Day on which each incident's surface was clean again, what that rests on, and if any does."""
    clear = _days_since(rows["cleared_at"], origin)
    many = rows["place_kind"].isin(MANY_SURFACES).to_numpy()
    dated = np.isfinite(clear)
    basis = np.where(dated, "observed", "imputed").astype(object)
    is_open = ~dated & (rows["status"] == "open").to_numpy()
    basis[is_open] = "observed"
    clear[is_open] = length
    closed = int((~is_open).sum())
    if too_few_dates(int(dated.sum()), closed=closed, parameters=parameters):
        basis[:] = "whole_window"
        return reported.copy(), basis, False
    guess = float(np.median(clear[dated] - reported[dated])) if dated.any() else 0.0
    undated = ~dated & ~is_open
    clear[undated] = reported[undated] + guess
    clear = np.maximum(clear, reported)
    own = np.where(many, _own_surface(rows, codes), -1)
    later = _next_clearance(_numbered_pairs(codes, own), clear, dated)
    clear[is_open] = np.minimum(clear[is_open], later[is_open])
    basis[many] = "whole_window"
    return clear, basis, True


def _next_clearance(codes: np.ndarray, clear: np.ndarray, dated: np.ndarray) -> np.ndarray:
    """Earliest dated clearance of a later incident at the same place (infinite when none)."""
    later = pd.Series(np.where(dated, clear, np.inf)[::-1])
    least = later.groupby(codes[::-1]).cummin().to_numpy()[::-1]
    following = np.full(len(codes), np.inf)
    same = codes[1:] == codes[:-1]
    following[:-1][same] = least[1:][same]
    return following


def _union_waiting(codes: np.ndarray, first: np.ndarray, reported: np.ndarray, clear: np.ndarray,
                   length: float) -> tuple[np.ndarray, np.ndarray]:
    """Days of waiting before each report (overlaps counted once), and when the place is clean."""
    busy_until = pd.Series(np.minimum(clear, length)).groupby(codes).cummax().to_numpy()
    before = np.where(first, reported, np.concatenate([[0.0], busy_until[:-1]]))
    added = np.maximum(0.0, busy_until - np.maximum(reported, before))
    waited = pd.Series(added).groupby(codes).cumsum().to_numpy() - added
    # A report that arrives while the place still waits has not yet lived through all that waiting.
    waited -= np.where(first, 0.0, np.maximum(0.0, before - reported))
    return waited, busy_until


def too_few_dates(dated: int, *, closed: int, parameters: Parameters) -> bool:
    """Say whether so few closed cases have a clearance date that waiting has to be assumed."""
    return closed > 0 and dated < max(1.0, parameters["hotspots.min_dated_share"] * closed)


def plausible_waits(incidents: pd.DataFrame, *,
                    parameters: Parameters) -> tuple[float, float, float]:
    """Return a short, the usual and a long time to clearance [days] for a log that gives few dates.

    Learnt from the rows that have a clearance date where there are
    ``hotspots.least_dated_waits`` (their 10 %, 50 % and 90 % points), else the assumed ones.

    Parameters
    ----------
    incidents
        Needs ``reported_at, cleared_at``.
    parameters
        Uses ``hotspots.least_dated_waits``, ``assumed_wait_days``, ``assumed_wait_short_days`` and
        ``assumed_wait_long_days``.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> none = pd.DataFrame({"reported_at": [], "cleared_at": []}, dtype="datetime64[us, UTC]")
    >>> plausible_waits(none, parameters=load_parameters())
    (1.0, 7.0, 30.0)
    """
    waited = (incidents["cleared_at"] - incidents["reported_at"]).dt.total_seconds() / 86_400
    waited = waited[waited >= 0]
    if len(waited) >= parameters["hotspots.least_dated_waits"]:
        short, usual, long = (round(float(q), 1) for q in waited.quantile([0.1, 0.5, 0.9]))
        return short, usual, long
    usual = parameters["hotspots.assumed_wait_days"]
    return (min(parameters["hotspots.assumed_wait_short_days"], usual), usual,
            max(parameters["hotspots.assumed_wait_long_days"], usual))


def rehit_range(incidents: pd.DataFrame, *, window: Window,
                parameters: Parameters) -> tuple[int, int]:
    """Return the fewest and the most re-hits: over plausible times to clearance, and one surface.

    The fewest need the surface to be told apart by the log; the most count what may have been one
    (``rehit_at_most`` of :func:`timeline`).

    Parameters
    ----------
    incidents, window, parameters
        As in :func:`incident_kinds`.
    """
    known = known_places(incidents)
    longest = parameters.row("hotspots.assumed_wait_days").high
    found = []
    for wait in plausible_waits(incidents, parameters=parameters):
        numbers = parameters.override({
            "hotspots.assumed_wait_days": min(wait, longest),
            "hotspots.least_dated_waits": parameters.row("hotspots.least_dated_waits").high})
        laid = timeline(known, window=window, parameters=numbers)
        found.append(laid[["rehit", "rehit_at_most"]].sum())
    return (min(int(n["rehit"]) for n in found), max(int(n["rehit_at_most"]) for n in found))


def surely_over(repeats: pd.DataFrame, *, chance: float) -> pd.Series:
    """Say which places exceed the threshold of the repeat table almost surely.

    A crossing, block or street has many surfaces, so its rate is not that of a place: they count
    only in a log that knows nothing better. Report, command line and notebooks count with this.

    Parameters
    ----------
    repeats
        Needs ``place_kind`` and ``chance_above``.
    chance
        Least chance of exceeding the threshold [0-1].

    Examples
    --------
    >>> table = pd.DataFrame({"place_kind": ["asset", "street"], "chance_above": [0.9, 1.0]})
    >>> surely_over(table, chance=0.9).tolist()
    [True, False]
    """
    return (repeats["chance_above"] >= chance) & repeats.index.isin(ranked_places(repeats).index)


def ranked_places(repeats: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of the repeat table that are ranked against each other.

    A block or street has many surfaces: they count only in a log that knows nothing better. Report,
    command line and notebooks count with this.

    Parameters
    ----------
    repeats
        Needs ``place_kind``.

    Examples
    --------
    >>> ranked_places(pd.DataFrame({"place_kind": ["asset", "street"]})).index.tolist()
    [0]
    >>> len(ranked_places(pd.DataFrame({"place_kind": ["street", "street"]})))
    2
    """
    stretch = repeats["place_kind"].isin(STRETCHES)
    return repeats if stretch.all() else repeats[~stretch]


def places_for_half(repeats: pd.DataFrame) -> int:
    """Return the fewest ranked places that hold half of their incidents.

    Parameters
    ----------
    repeats
        Needs ``place_kind`` and ``n_incidents``.

    Examples
    --------
    >>> places_for_half(pd.DataFrame({"place_kind": "asset", "n_incidents": [1, 5, 2, 2]}))
    1
    """
    so_far = incidents_so_far(repeats)
    return int((so_far < so_far.max() / 2).sum()) + 1


def half_said(repeats: pd.DataFrame) -> Message:
    """Say how few ranked places hold half of their incidents; there must be one."""
    ranked = ranked_places(repeats)
    if len(ranked) == 1:
        return message("ranking.one_place")
    kinds = ranked["place_kind"].unique()
    noun = f"of.{kinds[0]}" if len(kinds) == 1 else "of.place"
    return message("ranking.half", n=places_for_half(repeats),
                   places=message(noun, n=len(ranked)))


def incidents_so_far(repeats: pd.DataFrame) -> pd.Series:
    """Return the incidents of each ranked place and of all hit more often, by index."""
    counts = ranked_places(repeats)["n_incidents"]
    return counts.sort_values(ascending=False, kind="stable").cumsum()
