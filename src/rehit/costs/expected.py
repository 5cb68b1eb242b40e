"""How many markings to expect next year, and what removing them costs: the one total.

Comparison, programme and bid start from the log's yearly count, split by what is known of the
place. With no trend assumed, next year brings as many as an average year of the log.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from rehit.costs.cashflow import cleaning_now
from rehit.costs.discounting import make_timeline
from rehit.costs.lifecycle import compare_by_formula
from rehit.costs.rates import LINES, cleaning_lines, site_costs
from rehit.costs.strategies import BASELINE, Strategy
from rehit.parameters import Parameters
from rehit.tables import check

Numbers = NDArray[np.float64]
CLASSES = ("known", "new", "unplaced")


def expected_counts(incidents: pd.DataFrame, *, observed_years: float) -> pd.DataFrame:
    """Return the markings to expect in a year by class of place.

    Parameters
    ----------
    incidents
        The whole log's incidents: ``place_id, place_kind``.
    observed_years
        Years the log was kept.

    Returns
    -------
    pandas.DataFrame
        Indexed by class: ``n_log`` (incidents of the log; a new place has none, so what the log
        tells of new places stands under known), ``log_per_year`` and ``expected_per_year``. The
        totals of both rates agree.

    References
    ----------
    Good 1953, Biometrika 40, 237-264: the chance that the next one comes at a place not seen
    before is the share of incidents that are alone on theirs. A register's assets are all known.

    Examples
    --------
    >>> log = pd.DataFrame({"place_id": ["a", "a", "b", None], "place_kind": ["site"] * 4})
    >>> expected_counts(log, observed_years=2.0)["expected_per_year"].round(2).to_dict()
    {'known': 1.0, 'new': 0.5, 'unplaced': 0.5}
    """
    placed = incidents["place_id"].notna()
    derived = incidents.loc[placed & incidents["place_kind"].ne("asset"), "place_id"]
    alone = int((derived.value_counts() == 1).sum())
    counts = np.array([placed.sum(), 0, (~placed).sum()], dtype=float)
    expected = counts + np.array([-alone, alone, 0.0])
    return pd.DataFrame({"n_log": counts.astype(np.int64), "log_per_year": counts / observed_years,
                         "expected_per_year": expected / observed_years},
                        index=pd.Index(CLASSES, name="place_class"))


def scaled_to_expected(costing: pd.DataFrame, counts: pd.DataFrame) -> pd.DataFrame:
    """Return the costing table with rates that add up to what is expected at known places.

    The rates of the ranking hold for the time in which a place is clean, and say nothing of how
    many markings will fall on places not seen before; every place is scaled alike.
    """
    total = float((costing["gamma_shape"] / costing["gamma_rate_years"]).sum())
    expected = float(counts["expected_per_year"]["known"])
    if total <= 0 or expected <= 0:
        return costing
    return costing.assign(gamma_rate_years=costing["gamma_rate_years"] * total / expected)


def expected_work(costing: pd.DataFrame, incidents: pd.DataFrame, advice: pd.DataFrame, *,
                  counts: pd.DataFrame, strategies: Sequence[Strategy],
                  parameters: Parameters) -> pd.DataFrame:
    """Return the reconciliation: log's yearly count, expected, by class of place, cost.

    Parameters
    ----------
    costing
        The `costing` table, scaled to the expected number.
    incidents, advice
        Of the whole log; what new and unplaced markings cost is read from the incidents of places
        that no register names, or of no place.
    counts
        Of :func:`expected_counts`.
    strategies
        Hold the baseline: today's practice.
    parameters
        Cost numbers in force.

    Returns
    -------
    pandas.DataFrame
        The `expected_work` table: one row per class and the total. Money per cost line and year,
        planned and full repaints left out; ``present_value`` over the horizon has them in.
    """
    baseline = next(s for s in strategies if s.name == BASELINE)
    timeline = make_timeline(int(parameters["costs.horizon_years"]), parameters=parameters)
    loose = _loose_jobs(costing, incidents, advice)
    lines, present = {}, {}
    for kind in CLASSES:
        expected = float(counts["expected_per_year"][kind])
        if kind == "known" and len(costing):
            # A coating that is there is part of today's practice.
            compared = compare_by_formula(costing, parameters=parameters, strategies=[
                s for s in strategies if s is baseline or s.covers_wall])
            today = compared.pieces[compared.baseline]
            each = cleaning_now(today)
            lines[kind] = (compared.shape / compared.rate_years) @ each
            present[kind] = float(compared.expected[compared.baseline].present_value.sum())
            continue
        rows = loose[loose["placed"] == (kind != "unplaced")]
        rows = rows if len(rows) else loose
        each = (cleaning_lines(rows, baseline, parameters=parameters).mean(axis=0)
                if len(rows) and expected else np.zeros(len(LINES)))
        lines[kind] = expected * each
        present[kind] = float(lines[kind] @ timeline.running.sum(axis=1))
    return _reconciled(counts, lines, present)


def _loose_jobs(costing: pd.DataFrame, incidents: pd.DataFrame,
                advice: pd.DataFrame) -> pd.DataFrame:
    """Return the incidents of no register's asset as rows of a costing table; all where none is."""
    jobs = incidents.merge(advice[["incident_id", "method"]], on="incident_id")
    loose = jobs[jobs["place_kind"].ne("asset")]
    jobs = loose if len(loose) else jobs
    town = costing["mark_area_m2"].mean() if len(costing) else 1.0
    area = jobs["area_m2"].astype(float).fillna(town).clip(lower=1e-6)
    return pd.DataFrame({
        "placed": jobs["place_id"].notna(), "method": jobs["method"].astype("str"),
        "mark_area_m2": area, "wall_area_m2": area.clip(lower=1e3),  # a patch, never a whole wall
        "access": jobs["access"].astype("str"), "traffic_control": jobs["traffic_control"]})


def _reconciled(counts: pd.DataFrame, lines: dict[str, Numbers],
                present: dict[str, float]) -> pd.DataFrame:
    money = pd.DataFrame.from_dict(lines, orient="index", columns=list(LINES))
    table = counts.join(money.drop(columns="measure"))
    table["cost_per_year"] = money.sum(axis=1)
    table["present_value"] = pd.Series(present)
    total = table.sum().to_frame("total").T
    table = pd.concat([table, total]).rename_axis("place_class").reset_index()
    table["n_log"] = table["n_log"].astype(np.int64)
    each = table["cost_per_year"] / table["expected_per_year"].where(table["expected_per_year"] > 0)
    table.insert(4, "cost_per_marking", each)
    check(table, "expected_work", where="costs.expected_work")
    return table


def booked_against_expected(works: pd.DataFrame, *, places: pd.DataFrame | None = None,
                            parameters: Parameters) -> pd.DataFrame:
    """Return what the jobs of a works log were booked at beside what the numbers in force expect.

    Only jobs whose method, area, minutes and cost are known. Booked labour is the booked minutes of
    the people on the job at the project's pay, booked water the litres at the price of disposal;
    what is left of the booked cost is materials. Call-out, access equipment and traffic control
    are rarely booked on a job: three columns show what the comparison adds for them.

    Parameters
    ----------
    works
        The `works` table.
    places
        The `costing` table, by whose places the access and traffic of jobs are known; without it,
        or at a place it does not hold, work stands on the ground beside no traffic.
    parameters
        Cost numbers in force, corrected by the works log or not.

    Returns
    -------
    pandas.DataFrame
        The `booked_costs` table: one row per method and the total; money of all its jobs.
    """
    wanted = ["method", "area_m2", "minutes", "cost"]
    jobs = works.dropna(subset=wanted) if set(wanted) <= set(works) else works.iloc[:0]
    jobs = _with_sites(jobs, places)
    pay, disposal = parameters["costs.labour_per_hour"], parameters["costs.water_per_l"]
    rows = []
    for method, own in jobs[jobs["area_m2"] > 0].groupby("method"):
        rate = {name: parameters[f"costs.{name}_{method}"] for name in (
            "minutes_per_visit", "minutes_per_m2", "minutes_area_power", "crew_size",
            "materials_per_m2", "water_l_per_m2")}
        n, area = len(own), float(own["area_m2"].sum())
        people = own["crew_size"].fillna(rate["crew_size"]) if "crew_size" in own else (
            rate["crew_size"])
        litres = float(own["wash_water_l"].fillna(0).sum()) if "wash_water_l" in own else 0.0
        labour = float((own["minutes"] * people).sum()) / 60 * pay
        booked = float(own["cost"].sum())
        access, traffic = site_costs(own, parameters, hours=own["minutes"].to_numpy(float) / 60)
        hours = (n * rate["minutes_per_visit"] + rate["minutes_per_m2"]
                 * float((own["area_m2"] ** rate["minutes_area_power"]).sum())) / 60
        rows.append({
            "method": str(method), "n_jobs": n, "booked": booked, "booked_labour": labour,
            "booked_water": litres * disposal,
            "booked_materials": booked - labour - litres * disposal,
            "expected_labour": hours * rate["crew_size"] * pay,
            "expected_water": rate["water_l_per_m2"] * area * disposal,
            "expected_materials": rate["materials_per_m2"] * area,
            "call_out": n * parameters["costs.call_out"] / parameters["costs.incidents_per_visit"],
            "access": float(access.sum()), "traffic_control": float(traffic.sum()),
        })
    table = pd.DataFrame(rows, columns=[
        "method", "n_jobs", "booked", "booked_labour", "booked_water", "booked_materials",
        "expected_labour", "expected_water", "expected_materials", "call_out", "access",
        "traffic_control"])
    if len(table):
        total = table.drop(columns="method").sum().to_frame().T.assign(method="total")
        table = pd.concat([table, total[table.columns]], ignore_index=True)
    table["n_jobs"] = table["n_jobs"].astype(np.int64)
    expected = table[["expected_labour", "expected_water", "expected_materials"]].sum(axis=1)
    table.insert(3, "expected", expected)
    table.insert(4, "difference", table["expected"] - table["booked"])
    money = table.columns.drop(["method", "n_jobs"])
    table[money] = table[money].astype(float)
    check(table, "booked_costs", where="costs.booked_against_expected")
    return table


def _with_sites(jobs: pd.DataFrame, places: pd.DataFrame | None) -> pd.DataFrame:
    """Return the jobs with the access and traffic of their places, as far as they are known."""
    known = pd.DataFrame(columns=["access", "traffic_control"]) if places is None else (
        places.set_index("place_id")[["access", "traffic_control"]])
    at = jobs["asset_id"] if "asset_id" in jobs else pd.Series(None, jobs.index, dtype="str")
    found = known.reindex(at)
    return jobs.assign(
        access=found["access"].astype("str").fillna("ground").to_numpy(),
        traffic_control=found["traffic_control"].eq(True).to_numpy())
