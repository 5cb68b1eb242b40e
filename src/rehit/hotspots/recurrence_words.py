"""What the recurrence results mean in plain words: always an estimate with its interval."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rehit.errors import TableError
from rehit.hotspots.recurrence import RateModel, design, fit_rates
from rehit.hotspots.survival import kaplan_meier, log_rank, median_time
from rehit.parameters import Parameters, load_parameters
from rehit.wording import counted

FEW = 5
HORIZONS_DAYS = (365, 182, 91, 28)
PLAIN = {"clearance_doublings": "each doubling of the wait for clearance"}
ASSOCIATION = ("These are differences between spells that went together with the rate of re-hits; "
               "they do not show what caused them.")


def read_time_to_rehit(spells: pd.DataFrame, *, by: str | None = None,
                       parameters: Parameters | None = None) -> tuple[str, ...]:
    """Say how long cleared surfaces stay clean, overall or by the words of one column.

    Parameters
    ----------
    spells
        From :func:`rehit.hotspots.recurrence.rehit_spells`.
    by
        Column to compare, such as ``substrate``; :func:`clearance_speed` makes one.
    parameters
        Uses ``hotspots.interval_level``, ``hotspots.verdict_level`` (for the test) and
        ``hotspots.min_level_events``.

    Raises
    ------
    TableError
        If there is no column `by`.

    Examples
    --------
    >>> spells = pd.DataFrame({"place_id": list("abcd"), "days": [5.0, 8, 8, 20],
    ...                        "event": [True, True, False, False]})
    >>> read_time_to_rehit(spells)[0]
    'Half of cleared surfaces were hit again within 8 days (90 % interval 5 to not reached days; ...
    """
    numbers = load_parameters() if parameters is None else parameters
    level = numbers["hotspots.interval_level"]
    if len(spells) == 0:
        return ("The log gives no clearance dates to count from, so the time to the next marking "
                "cannot be told.",)
    if by is None:
        return (_median_sentence("cleared surfaces", spells, level),)
    if by not in spells:
        raise TableError("read_time_to_rehit", got=f"no column {by!r}",
                         allowed=", ".join(map(str, spells.columns)), remedy="name one of them")
    word = spells[by].astype("object").where(spells[by].notna(), "unknown").astype("str")
    events = spells["event"].astype("int64").groupby(word).sum()
    enough = events.index[events >= numbers["hotspots.min_level_events"]]
    said = [_median_sentence(f"surfaces with {by} {w}".replace("_", " "), spells[word == w], level)
            for w in enough]
    if len(enough) > 1:
        used = spells[word.isin(enough)]
        said.append(_log_rank_sentence(used, word[word.isin(enough)], by,
                                       numbers["hotspots.verdict_level"]))
    elif not said:
        said = [f"Too few re-hits under any word of {by} to compare."]
    return tuple(said)


def clearance_speed(spells: pd.DataFrame, *, fast_days: float) -> pd.Series:
    """Return whether the marking before each spell was cleared within `fast_days` (fast or slow).

    Examples
    --------
    >>> clearance_speed(pd.DataFrame({"days_to_clearance": [0.5, 9.0]}), fast_days=2).tolist()
    ['fast', 'slow']
    """
    fast = spells["days_to_clearance"] <= fast_days
    return fast.map({True: "fast", False: "slow"}).astype("str").rename("clearance_speed")


def read_rate_model(model: RateModel, *,
                    parameters: Parameters | None = None) -> tuple[str, ...]:
    """Say what each effect of a fitted model means, then which the data cannot tell.

    Parameters
    ----------
    model
        From :mod:`rehit.hotspots.recurrence`.
    parameters
        Uses ``hotspots.verdict_level``: many effects are read at once, so that an effect is called
        one only where that wide an interval leaves out none. Uses ``hotspots.min_model_places``
        too: errors taken from the scatter between few places would look far too small.

    Examples
    --------
    >>> model = RateModel(("lit",), np.array([-0.5]), np.eye(1) * 0.01, np.eye(1) * 0.01, -1.0,
    ...                   400, 200, 80, True)
    >>> read_rate_model(model)[0]
    'Lower: lit, 0.61 times the rate of re-hits per unit (99 % interval 0.47 to 0.79).'
    """
    numbers = load_parameters() if parameters is None else parameters
    level = numbers["hotspots.verdict_level"]
    if not model.settled:
        return (f"With {model.n_events} re-hits at {model.n_clusters} places the model has no "
                "finite answer: the data cannot tell these effects apart. Use fewer columns.",)
    if model.n_clusters < numbers["hotspots.min_model_places"]:
        return (f"With spells at {counted(model.n_clusters, 'place')} the errors of these effects "
                f"cannot be told (at least {numbers['hotspots.min_model_places']:g} are needed).",)
    table = model.table(level=level)
    told = (table["low"] > 1) | (table["high"] < 1)
    said = [_effect_sentence(row, level) for part in (table[told], table[~told])
            for row in part.itertuples()]
    size = (f"Based on {model.n_events} re-hits in {model.n_spells} spells at {model.n_clusters} "
            "places; errors allow for spells of one place resembling each other.")
    return (*said, size, ASSOCIATION)


def read_mean_count(mcf: pd.DataFrame, *, unit: str = "days", level: float = 0.9) -> str:
    """Say how many incidents a place has had on average by the end of its cumulative function.

    Examples
    --------
    >>> read_mean_count(pd.DataFrame({"time": [365.0], "mean": [2.5], "low": [2.0], "high": [3.1]}))
    'In 365 days a place has had 2.50 incidents on average (90 % interval 2.00 to 3.10).'
    """
    if len(mcf) == 0:
        return "No incident was counted, so there is no mean to tell."
    last = mcf.iloc[-1]
    return (f"In {last['time']:,.0f} {unit} a place has had {last['mean']:.2f} incidents on "
            f"average ({_percent(level)} interval {last['low']:.2f} to {last['high']:.2f}).")


def rapid_clearance(spells: pd.DataFrame, *, effects: tuple[str, ...] = (),
                    parameters: Parameters | None = None) -> tuple[RateModel | None, str]:
    """Estimate what waiting longer for clearance goes together with, place by place.

    Published evidence conflicts, so nothing is assumed: each place is its own baseline (walls hit
    often may also be cleared sooner, which would mislead a comparison between places), the clock
    is the time since clearance, and the answer is an interval. The first column of the model is
    the time to clearance in doublings, log2(days + 1). The interval has the coverage
    ``hotspots.verdict_level``, so that an absent effect is seldom called one.

    Parameters
    ----------
    spells
        From :func:`rehit.hotspots.recurrence.rehit_spells`.
    effects
        Further columns to hold equal, such as ``priority`` (offensive markings are cleared first)
        or ``season``.
    parameters
        Uses ``hotspots.verdict_level`` and ``hotspots.min_rapid_events``.

    Returns
    -------
    tuple
        The model (None where there are too few re-hits) and a sentence.

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
        return None, (f"Only {counted(n, 're-hit')} at {counted(len(able), 'place')} "
                      "can be compared within places: the effect of faster clearance cannot be "
                      "told from this log.")
    x, kept = design(used, effects=("clearance_doublings", *effects), parameters=numbers)
    x = _told_apart_within(x, kept["place_id"])
    if "clearance_doublings" not in x:
        return None, ("Every marking of a place waited equally long for its clearance, so the "
                      "effect of faster clearance cannot be told from this log.")
    model = fit_rates(np.zeros(len(kept)), kept["days"].to_numpy(), kept["event"].to_numpy(),
                      x.to_numpy(), names=tuple(x.columns), cluster=kept["place_id"].to_numpy(),
                      strata=kept["place_id"].to_numpy())
    return model, _rapid_sentence(model, level)


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


def _rapid_sentence(model: RateModel, level: float) -> str:
    if not model.settled:
        return "The effect of faster clearance cannot be told from this log: no finite answer."
    row = model.table(level=level).iloc[0]
    ratio, low, high = (_times(row[c]) for c in ("rate_ratio", "low", "high"))
    numbers = (f"each doubling of the wait goes with a re-hit rate {ratio} times "
               f"as high ({_percent(level)} interval {low} to {high}, "
               f"{model.n_events} re-hits at {model.n_clusters} places)")
    if row["low"] > 1:
        return f"In this log slower clearance went with faster re-hits: {numbers}. {ASSOCIATION}"
    if row["high"] < 1:
        return f"In this log slower clearance went with slower re-hits: {numbers}. {ASSOCIATION}"
    return f"This log cannot tell whether faster clearance lowers the re-hit rate: {numbers}."


def _effect_sentence(row: object, level: float) -> str:
    name, ratio, low, high = (getattr(row, k) for k in ("name", "rate_ratio", "low", "high"))
    per = "" if "(against" in name or name in PLAIN else " per unit"
    name = PLAIN.get(name, name).replace("_", " ").replace(":", "")
    what = "Higher" if low > 1 else "Lower" if high < 1 else "The data cannot tell"
    return (f"{what}: {name}, {_times(ratio)} times the rate of re-hits{per} "
            f"({_percent(level)} interval {_times(low)} to {_times(high)}).")


def _median_sentence(what: str, spells: pd.DataFrame, level: float) -> str:
    days, event, place = (spells[c].to_numpy() for c in ("days", "event", "place_id"))
    middle, low, high = median_time(days, event, place=place, level=level)
    hits = int(event.sum())
    counted = f"{hits} re-hits, {len(event) - hits} still clean at the end"
    # A median that rests on the last few surfaces still watched would be an accident.
    if np.isnan(middle) or ((days >= middle).sum() < FEW and len(days) > FEW):
        return _share_sentence(what, spells, counted, level) or (
            f"Too few of {what} were watched until half were hit again ({counted}), so the median "
            "time cannot be told.")
    span = " to ".join("not reached" if np.isnan(v) else f"{v:.0f}" for v in (low, high))
    return (f"Half of {what} were hit again within {middle:.0f} days ({_percent(level)} interval "
            f"{span} days; {counted}).")


def _share_sentence(what: str, spells: pd.DataFrame, counted: str, level: float) -> str:
    """Say how many were hit again within the longest usual time that enough were watched for."""
    days, event, place = (spells[c].to_numpy() for c in ("days", "event", "place_id"))
    within = [h for h in HORIZONS_DAYS if (days >= h).sum() >= FEW and (event & (days <= h)).any()]
    if not within:
        return ""
    curve = kaplan_meier(days, event, place=place, level=level)
    at = curve[curve["days"] <= within[0]].iloc[-1]
    share, low, high = (100 * (1 - at[c]) for c in ("survival", "high", "low"))
    return (f"{share:.0f} % of {what} were hit again within {within[0]} days ({_percent(level)} "
            f"interval {low:.0f} to {high:.0f} %; {counted}); too few were watched until half "
            "were.")


def _log_rank_sentence(used: pd.DataFrame, word: pd.Series, by: str, level: float) -> str:
    chi, freedom, p = log_rank(used["days"].to_numpy(), used["event"].to_numpy(), word.to_numpy(),
                               place=used["place_id"].to_numpy())
    test = (f"log-rank test with errors by place, chi-squared {chi:.1f} on {freedom} "
            f"{'degree' if freedom == 1 else 'degrees'} of freedom, p {_p(p)}")
    if p < 1 - level:
        return f"Times to re-hit differ by {by.replace('_', ' ')} ({test}). {ASSOCIATION}"
    return f"The data cannot tell whether times to re-hit differ by {by} ({test})."


def _times(value: float) -> str:
    """Write a ratio so that one close to 1 does not read as exactly 1."""
    short = f"{value:.2f}"
    return short if short != "1.00" or value == 1 else f"{value:.4f}"


def _p(value: float) -> str:
    return "below 0.001" if value < 0.001 else f"{value:.3f}"


def _percent(level: float) -> str:
    return f"{100 * level:g} %"
