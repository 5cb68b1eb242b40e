"""Advice held against what was done, and against the shares that ordinary towns show."""

from __future__ import annotations

import pandas as pd

from rehit.errors import ManyErrors, RehitError, TableError
from rehit.parameters import Parameters, load_parameters

BANDS = {
    "share_paint_out": (("paint_out",), "painted out"),
    "share_solvent_wipe": (("solvent_wipe",), "wiped with solvent"),
    "share_hot_wash": (("hot_wash",), "hot-washed on bare masonry"),
    "share_paint_and_wipe": (("paint_out", "solvent_wipe"), "painted out or wiped"),
}
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
            TableError("compare_done", got=f"no column {name!r} in {table}",
                       allowed="incident_id, or report_id in works and in incidents",
                       remedy="hand over both tables")
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
        ``code, share, usual, low, high, inside, words``.

    Examples
    --------
    >>> seen = pd.Series(["paint_out"] * 6 + ["solvent_wipe"] * 2 + ["hot_wash"] * 2)
    >>> method_shares(seen)["inside"].tolist()
    [True, True, True, True]
    """
    values = parameters or load_parameters()
    settled = methods[methods.notna() & ~methods.isin(WAITING)]
    rows = []
    for name, (codes, words) in BANDS.items():
        band = values.row(f"treatment.{name}")
        share = float(settled.isin(codes).mean()) if len(settled) else float("nan")
        inside = band.low <= share <= band.high
        verdict = "as in" if inside else "unlike"
        rows.append((name, share, band.value, band.low, band.high, bool(inside),
                     f"{share:.0%} of jobs are {words}, {verdict} ordinary towns "
                     f"({band.low:.0%} to {band.high:.0%}; {band.source})"
                     if len(settled) else "no settled job to judge by"))
    return pd.DataFrame(rows, columns=["code", "share", "usual", "low", "high", "inside", "words"])
