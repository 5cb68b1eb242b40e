"""Pick the method for each incident, with reason, second choice, time, materials and cautions.

Reasons are messages, and materials, waste and cautions are codes: the catalogues ``treatment.po``
hold their words.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pandas as pd

from rehit.errors import ManyErrors, RehitError, TableError
from rehit.messages import Message, as_text, from_text, message
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check
from rehit.treatment.methods import (
    OWN_CODE,
    RECURRING,
    load_cautions,
    load_methods,
    own_reason,
)
from rehit.words.vocabulary import code_texts

NEEDED = ("incident_id", "substrate", "finish", "medium", "area_m2")
FALLBACK = "nothing_covers_it"
#: Surfaces whose words already say how they are finished.
FINISHED = ("powder_coated", "sign_face")


def choose_methods(incidents: pd.DataFrame, *, methods: pd.DataFrame | Path | str | None = None,
                   parameters: Parameters | None = None) -> pd.DataFrame:
    """Advise a method for each incident by the first row of the decision table that fits.

    Parameters
    ----------
    incidents
        Columns ``incident_id, substrate, finish, medium, area_m2``; used where present:
        ``asset_type`` (else ``asset_type_given``), ``heritage, access, traffic_control`` of the
        register, and ``place_id, place_kind, reported_at`` to see what recurs.
    methods
        The table of :func:`rehit.treatment.methods.load_methods`, or the path of a user's file
        that extends it. rehit's own by default.
    parameters
        Where the log gives no area the mean of those it gives stands in, else
        ``pipeline.mark_area_m2``, and the reason says so; ``treatment.recurring_from`` says what
        counts as recurring; ``costs.minutes_area_power_*``.

    Returns
    -------
    pandas.DataFrame
        The `advice` table, in the order and with the index of `incidents`. Minutes are the crew's
        time on site for one visit: minutes per visit plus minutes per m² times a power of the area.

    Raises
    ------
    ManyErrors
        Listing every missing column, or every fault of the user's decision table.

    Examples
    --------
    >>> case = pd.DataFrame({"incident_id": ["a"], "substrate": ["brick"], "finish": ["bare"],
    ...                      "medium": ["spray"], "area_m2": [2.0]})
    >>> choose_methods(case)[["method", "minutes", "wash_water_l"]].to_dict("records")
    [{'method': 'hot_wash', 'minutes': 65.0, 'wash_water_l': 50.0}]
    """
    where = "choose_methods"
    values = parameters or load_parameters()
    faults: list[RehitError] = [
        TableError(where, "errors.not_an_incidents_table", name=name,
                   known=NEEDED) for name in NEEDED
        if name not in incidents]
    if faults:
        raise ManyErrors(where, faults)
    rules = methods if isinstance(methods, pd.DataFrame) else load_methods(methods)
    facts = case_facts(incidents, parameters=values)
    decided = decide(facts, rules, recurring_from=values["treatment.recurring_from"])
    rules = pd.concat([rules, _fallback(rules)], ignore_index=True)
    advice = _advice(facts, rules, decided, values)
    advice.insert(0, "incident_id", incidents["incident_id"].astype("str").to_numpy())
    advice.index = incidents.index
    check(advice, "advice", where=where)
    return advice


def case_facts(incidents: pd.DataFrame, *, parameters: Parameters) -> pd.DataFrame:
    """Return what the decision table asks about, one row per incident, nothing missing."""
    n = len(incidents)
    facts = pd.DataFrame({name: _codes(incidents, name, "unknown")
                          for name in ("substrate", "finish", "medium")})
    area = incidents["area_m2"].astype(float).to_numpy()
    known = np.isfinite(area) & (area > 0)
    facts["area_known"] = known
    # One rule for sizes not given, as in the costs: the mean of those given, else the default.
    usual = area[known].mean() if known.any() else parameters["pipeline.mark_area_m2"]
    facts["area"] = np.where(known, area, usual)
    kind = _codes(incidents, "asset_type", "")
    if "asset_type_given" in incidents:
        given = code_texts(incidents["asset_type_given"].astype("str"), kind="asset_type",
                           otherwise="").to_numpy(object)
        kind = np.where(np.isin(kind, ("", "unknown")), given, kind)
    facts["asset_type"] = np.where(kind == "", "unknown", kind)
    facts["heritage"] = _yes(incidents, "heritage")
    facts["traffic_control"] = _yes(incidents, "traffic_control")
    facts["access"] = _codes(incidents, "access", "ground")
    facts["earlier"] = _earlier(incidents) if {"place_id", "reported_at"} <= set(
        incidents.columns) else np.zeros(n, int)
    return facts


def decide(facts: pd.DataFrame, rules: pd.DataFrame, *, recurring_from: float) -> np.ndarray:
    """Return the row of `rules` that decides each case; ``len(rules)`` where none does."""
    decided = np.full(len(facts), len(rules))
    codes = {name: pd.factorize(facts[name]) for name in
             ("substrate", "finish", "medium", "asset_type", "heritage")}
    for place in range(len(rules) - 1, -1, -1):  # earlier rows overwrite later ones
        rule = rules.iloc[place]
        fits = np.ones(len(facts), bool)
        for name, (number, labels) in codes.items():
            if rule[name]:
                wanted = {part.strip() for part in rule[name].split("|")}
                fits &= np.isin(labels.to_numpy(), list(wanted))[number]
        if rule["area_min_m2"]:
            fits &= facts["area"].to_numpy() >= float(rule["area_min_m2"])
        if rule["area_max_m2"]:
            fits &= facts["area"].to_numpy() < float(rule["area_max_m2"])
        if rule["earlier_min"]:
            least = rule["earlier_min"]
            fits &= facts["earlier"].to_numpy() >= (
                recurring_from if least == RECURRING else float(least))
        decided[fits] = place
    return decided


def care_messages(cautions: Iterable[str]) -> list[Message]:
    """Return each caution to be said in full."""
    return [message("advice.take_care", caution=code) for code in cautions]


def explained(advice_row: pd.Series) -> tuple[Message, ...]:
    """Return one incident's advice to be said in full, with every caution spelt out.

    Examples
    --------
    >>> case = pd.DataFrame({"incident_id": ["a"], "substrate": ["unknown"], "finish": ["unknown"],
    ...                      "medium": ["spray"], "area_m2": [2.0]})
    >>> explained(choose_methods(case).iloc[0])[0].facts["reason"].code
    'advice.unknown_surface'
    """
    said = [message("advice.first", method=advice_row["method"],
                    reason=from_text(advice_row["reason"]))]
    if isinstance(advice_row["second_choice"], str):
        said.append(message("advice.second", method=advice_row["second_choice"]))
    source = load_cautions().set_index("code")["source"]
    said += [message("advice.caution", caution=message(f"caution_full.{code}"),
                     source=source[code]) for code in advice_row["cautions"].split("; ")]
    return tuple(said)


def _advice(facts: pd.DataFrame, rules: pd.DataFrame, decided: np.ndarray,
            parameters: Parameters) -> pd.DataFrame:
    def column(name: str) -> np.ndarray:
        found: np.ndarray = rules[name].to_numpy()[decided]
        return found

    area = facts["area"].to_numpy()
    def codes(name: str) -> pd.Series:
        spaced = rules[name].str.replace(r"\s*;\s*", "; ", regex=True)
        joined = pd.Series(spaced.to_numpy()[decided], dtype="str")
        return joined.where(joined != "")

    second = pd.Series(column("second_choice"), dtype="str")
    power = pd.Series(column("method")).map(
        lambda method: parameters[f"costs.minutes_area_power_{method}"]).to_numpy(float)
    paint = area * column("paint_l_per_m2").astype(float)
    remover = area * column("remover_l_per_m2").astype(float)
    water = area * column("wash_water_l_per_m2").astype(float)
    return pd.DataFrame({
        "method": pd.Series(column("method"), dtype="str"),
        "reason": _reasons(facts, rules, decided),
        "second_choice": second.where(second != ""),
        "minutes": column("minutes_per_visit").astype(float)
        + area**power * column("minutes_per_m2").astype(float),
        "materials": codes("kit"),
        "paint_l": paint, "remover_l": remover, "wash_water_l": water,
        "waste": codes("waste"),
        "cautions": _cautions(facts, rules, decided),
        "rule": pd.Series(column("rule"), dtype="str"),
    })


def _reasons(facts: pd.DataFrame, rules: pd.DataFrame, decided: np.ndarray) -> pd.Series:
    cases = pd.DataFrame({
        "rule": decided, "substrate": facts["substrate"], "finish": facts["finish"],
        "medium": facts["medium"], "thing": facts["asset_type"], "earlier": facts["earlier"],
        "area": facts["area"].round(2), "known": facts["area_known"]})
    number, unique = pd.factorize(pd.MultiIndex.from_frame(cases))
    reasons = rules["reason"].tolist()
    told = [as_text(_reason(reasons[rule], *case)) for rule, *case in unique]
    return pd.Series(np.array(told, dtype=object)[number], dtype="str")


def _reason(reason: str, substrate: str, finish: str, medium: str, thing: str, earlier: int,
            area: float, known: bool) -> Message:
    """Return rehit's own message with the facts of the case, or the user's text filled in."""
    facts = {
        "surface": _surface(substrate, finish), "substrate": substrate, "medium": medium,
        "area": message("on.area" if known else "on.area_assumed", m2=float(area)),
        "thing": message("on.place") if thing == "unknown" else thing}
    if OWN_CODE.fullmatch(reason):
        return Message(reason, facts | {"n": int(earlier)})
    spoken = {"substrate": message("on.plain", substrate=substrate),
              "medium": message("on.medium", medium=medium), "earlier": int(earlier),
              "thing": facts["thing"] if isinstance(facts["thing"], Message) else message(
                  "on.thing", thing=thing)}
    return own_reason(reason, facts | spoken)


def _surface(substrate: str, finish: str) -> Message:
    if substrate in FINISHED:
        return message(f"on.{substrate}")
    if substrate in ("unknown", "other"):
        return message("on.surface" if finish == "unknown" else f"on.{finish}_surface")
    plain = finish == "unknown" or substrate == "glass"
    return message("on.plain" if plain else f"on.{finish}", substrate=substrate)


def _cautions(facts: pd.DataFrame, rules: pd.DataFrame, decided: np.ndarray) -> pd.Series:
    """Cautions of the rule and of the place, in the order of ``cautions.csv``."""
    table = load_cautions()
    method = rules["method"].to_numpy()[decided]
    flags = np.zeros(len(facts), dtype=np.int64)
    for bit, row in enumerate(table.itertuples()):
        named = rules["cautions"].str.split(";").map(
            lambda codes, code=row.code: code in [c.strip() for c in codes]).to_numpy(bool)
        holds = named[decided]
        if row.when_column:
            value = method if row.when_column == "method" else facts[row.when_column].to_numpy()
            holds = holds | np.isin(value, str(row.when_values).split("|"))
        flags |= holds.astype(np.int64) << bit
    number, unique = pd.factorize(flags)
    told = ["; ".join(code for bit, code in enumerate(table["code"]) if flag >> bit & 1)
            for flag in unique.tolist()]
    return pd.Series(np.array(told, dtype=object)[number], dtype="str")


def _earlier(incidents: pd.DataFrame) -> np.ndarray:
    """Count earlier incidents on the same asset or site."""
    frame = pd.DataFrame({"place": incidents["place_id"].to_numpy(object),
                          "at": incidents["reported_at"].to_numpy(),
                          "name": incidents["incident_id"].to_numpy(object)})
    if "place_kind" in incidents:
        frame["place"] = frame["place"].where(
            incidents["place_kind"].isin(["asset", "site"]).to_numpy())
    ordered = frame.sort_values(["at", "name"], kind="stable")
    count = ordered.groupby("place", dropna=True).cumcount()
    return count.reindex(frame.index).fillna(0).to_numpy(int) * frame["place"].notna().to_numpy()


def _codes(incidents: pd.DataFrame, name: str, missing: str) -> np.ndarray:
    if name not in incidents:
        return np.full(len(incidents), missing, dtype=object)
    return incidents[name].astype("str").fillna(missing).to_numpy(object)


def _yes(incidents: pd.DataFrame, name: str) -> np.ndarray:
    if name not in incidents:
        return np.full(len(incidents), "no", dtype=object)
    flag = incidents[name].astype("boolean").fillna(False).to_numpy(bool)
    return np.where(flag, "yes", "no")


def _fallback(rules: pd.DataFrame) -> pd.DataFrame:
    """The row for what no rule covers: look at it."""
    row = dict.fromkeys(rules.columns, "") | {
        "rule": FALLBACK, "method": "inspect", "cautions": "test_patch",
        "reason": f"advice.{FALLBACK}"}
    numbers = {name: 0.0 for name in rules.columns if rules[name].dtype.kind == "f"}
    return pd.DataFrame([row | numbers])


# Advice held against what was done, and against the shares that ordinary towns show.

BANDS = {"share_paint_out": ("paint_out",), "share_solvent_wipe": ("solvent_wipe",),
         "share_hot_wash": ("hot_wash",), "share_paint_and_wipe": ("paint_out", "solvent_wipe")}
WAITING = ("inspect", "refer")


def compare_done(advice: pd.DataFrame, works: pd.DataFrame, *,
                 incidents: pd.DataFrame | None = None) -> pd.DataFrame:
    """Count what was advised against what was done.

    Parameters
    ----------
    advice
        The `advice` table.
    works
        The `works` table with ``incident_id``, or with ``report_id`` and `incidents` given.
    incidents
        Columns ``incident_id, report_id``: leads from the log's request number to the incident.

    Returns
    -------
    pandas.DataFrame
        ``advised, done, second_choice`` (whether it was the second choice), ``n, share`` of the
        compared jobs; most frequent first. Jobs without a known method or incident are left out;
        how many stands in ``.attrs["left_out"]``.

    Raises
    ------
    ManyErrors
        If there is no way from jobs to incidents.
    """
    jobs = works.copy()
    if "incident_id" not in jobs:
        faults: list[RehitError] = [
            TableError("compare_done", "errors.no_way_to_incidents", name=name, table=table)
            for table, frame, name in (("works", works, "report_id"),
                                       ("incidents", incidents, "report_id"))
            if frame is None or name not in frame]
        if faults or incidents is None:
            raise ManyErrors("compare_done", faults)
        known = incidents.dropna(subset=["report_id"]).drop_duplicates("report_id")
        jobs["incident_id"] = jobs["report_id"].map(known.set_index("report_id")["incident_id"])
    both = jobs[["incident_id", "method"]].rename(columns={"method": "done"}).merge(
        advice[["incident_id", "method", "second_choice"]], on="incident_id").dropna(
        subset=["done"])
    both["second"] = both["done"].eq(both["second_choice"]).astype(bool)
    counts = both.groupby(["method", "done", "second"]).size().rename("n").reset_index()
    counts = counts.rename(columns={"method": "advised", "second": "second_choice"})
    counts["share"] = counts["n"] / max(len(both), 1)
    table = counts.sort_values(["n", "advised", "done"], ascending=[False, True, True],
                               ignore_index=True)
    table.attrs["left_out"] = len(works) - len(both)
    return table


def method_shares(methods: pd.Series, *, parameters: Parameters | None = None) -> pd.DataFrame:
    """Hold the shares of methods, advised or done, against the band of ordinary towns.

    The band is a check of plausibility, not a target: a town of bare brick may rightly lie
    outside. Jobs still to be inspected or referred are left out of the shares.

    Parameters
    ----------
    methods
        Method code per incident or job.
    parameters
        The rows ``treatment.share_*``; their range is the band.

    Returns
    -------
    pandas.DataFrame
        ``code, share, usual, low, high, inside``.

    Examples
    --------
    >>> seen = pd.Series(["paint_out"] * 6 + ["solvent_wipe"] * 2 + ["hot_wash"] * 2)
    >>> method_shares(seen)["inside"].tolist()
    [True, True, True, True]
    """
    values = parameters or load_parameters()
    settled = methods[methods.notna() & ~methods.isin(WAITING)]
    rows = []
    for name, codes in BANDS.items():
        band = values.row(f"treatment.{name}")
        share = float(settled.isin(codes).mean()) if len(settled) else float("nan")
        rows.append((name, share, band.value, band.low, band.high,
                     bool(band.low <= share <= band.high)))
    return pd.DataFrame(rows, columns=["code", "share", "usual", "low", "high", "inside"])
