"""Let the crew's own works log correct the defaults, as far as it has something to say.

Each method's minutes are ``a * minutes_per_visit + b * minutes_per_m2 * area ** power``, with the
power of ``costs.minutes_area_power_*``, and its litres ``c * litres_per_m2 * area``, where the
ratios ``a, b, c`` are 1 by default. They are estimated by the normal linear model with a normal
prior of mean 1 and standard deviation ``treatment.prior_cv`` (Lindley and Smith 1972, "Bayes
estimates for the linear model", J. R. Stat. Soc. B 34: 1-41): the posterior mean is the default and
the crew's own least-squares figure, weighted by how precisely each is known. A job's scatter is
taken as proportional to its mean. Few jobs move a default little, many replace it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from rehit.errors import ManyErrors, RehitError, TableError
from rehit.files.headers import resolve_columns
from rehit.files.reader import read_table
from rehit.messages import as_text, message
from rehit.parameters import Parameters, load_parameters
from rehit.tables import check
from rehit.treatment.methods import QUANTITIES, load_methods
from rehit.words.vocabulary import code_texts

LITRES = {"paint_l": "paint_l_per_m2", "remover_l": "remover_l_per_m2",
          "wash_water_l": "wash_water_l_per_m2"}
ROUNDS = 5
LEAST_RATIO = 0.05
REACH_SDS = 1.6448536269514722  # of the 90 % intervals: 95 % point of the normal distribution


@dataclass(frozen=True)
class Calibration:
    """The corrected decision table, and the estimates behind it.

    ``estimates`` has one row per method and quantity: ``method, quantity, unit, n_jobs, default,
    observed`` (least squares on the jobs alone; empty where they cannot tell), ``calibrated, low,
    high`` (90 % interval) and ``weight_of_default`` (0 the jobs decide, 1 the default stands).
    """

    methods: pd.DataFrame
    estimates: pd.DataFrame


def calibrate_methods(works: pd.DataFrame, *, methods: pd.DataFrame | None = None,
                      advice: pd.DataFrame | None = None,
                      parameters: Parameters | None = None) -> Calibration:
    """Correct minutes, litres and cost per method by what the crew wrote down.

    Parameters
    ----------
    works
        The `works` table: ``method, area_m2, minutes`` and, where known, ``paint_l, remover_l,
        wash_water_l, cost``. Jobs without method or area, or with an empty quantity, are left out
        of that quantity.
    methods
        Decision table to correct, rehit's own by default. All rows of a method are scaled alike.
    advice
        The `advice` table: a method's default is then the mean of its rows weighted by how often
        each decided. Without it the median of its rows stands in.
    parameters
        ``treatment.prior_cv``, ``treatment.job_cv``, ``treatment.job_cv_jobs`` and
        ``costs.minutes_area_power_*``.

    Returns
    -------
    Calibration
        Costs, which have no default, are shrunk to the default minutes times the pooled cost per
        default minute of all jobs.

    Raises
    ------
    ManyErrors
        Listing missing columns.

    Examples
    --------
    >>> jobs = pd.DataFrame({"method": "hot_wash", "area_m2": [1.0, 2.0, 4.0] * 50,
    ...                      "minutes": [30.0, 40.0, 60.0] * 50})
    >>> table = calibrate_methods(jobs).estimates.set_index("quantity")
    >>> table.loc["minutes_per_m2", ["default", "observed"]].round(3).tolist()
    [15.0, 10.0]
    """
    where = "calibrate_methods"
    values = parameters or load_parameters()
    faults: list[RehitError] = [
        TableError(where, "errors.not_a_works_table",
                   name=name) for name in ("method", "area_m2", "minutes")
        if name not in works]
    if faults:
        raise ManyErrors(where, faults)
    rules = load_methods() if methods is None else methods
    usable = works[works["method"].notna() & (works["area_m2"] > 0)]
    typical = _typical(rules, advice)
    rows = []
    for method in sorted(set(usable["method"]) & set(typical.index)):
        jobs = usable[usable["method"] == method]
        rows += _method_estimates(jobs, typical.loc[method], method, values)
    rows += _cost_estimates(usable, typical, values)
    columns = ["method", "quantity", "unit", "n_jobs", "default", "observed", "calibrated", "low",
               "high", "weight_of_default"]
    estimates = pd.DataFrame(rows, columns=columns)
    return Calibration(_corrected(rules, estimates), estimates)


def shrunken_ratios(parts: np.ndarray, seen: np.ndarray, *, prior_cv: float, job_cv: float,
                    job_cv_jobs: float) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Estimate ratios r in ``seen = parts @ r`` with prior r ~ normal(1, prior_cv²).

    Parameters
    ----------
    parts
        Jobs by parts: what each part of the default predicts for each job.
    seen
        What each job took.
    prior_cv, job_cv, job_cv_jobs
        Spread of the prior; scatter of jobs, and how many jobs it counts for.

    Returns
    -------
    tuple of numpy.ndarray
        Posterior mean, its standard deviation, least squares on the jobs alone (NaN where the
        jobs cannot tell the parts apart), and the weight of the default per ratio.

    Examples
    --------
    >>> mean, sd, alone, weight = shrunken_ratios(np.ones((4, 1)), np.ones(4), prior_cv=0.5,
    ...                                           job_cv=0.5, job_cv_jobs=1e9)
    >>> float(alone[0]), round(float(weight[0]), 3)  # the prior counts as one job of five
    (1.0, 0.2)
    """
    k = parts.shape[1]
    prior = np.eye(k) / prior_cv**2
    mean, cv = np.ones(k), job_cv
    for _ in range(ROUNDS):  # the scatter depends on the mean, so iterate
        fitted = np.maximum(parts @ mean, LEAST_RATIO * parts.sum(axis=1))
        residual = (seen - fitted) / fitted
        cv = float(np.sqrt((job_cv_jobs * job_cv**2 + (residual**2).sum())
                           / (job_cv_jobs + len(seen))))
        weight = 1.0 / (cv * fitted) ** 2
        information = parts.T @ (weight[:, None] * parts)
        covariance = np.linalg.inv(prior + information)
        mean = covariance @ (prior @ np.ones(k) + parts.T @ (weight * seen))
        mean = np.maximum(mean, LEAST_RATIO)
    told = len(seen) > k and np.linalg.cond(information) < 1e8
    alone = np.linalg.solve(information, parts.T @ (weight * seen)) if told else np.full(k, np.nan)
    sd = np.sqrt(np.diag(covariance))
    return mean, sd, alone, np.minimum(sd**2 / prior_cv**2, 1.0)


def _typical(rules: pd.DataFrame, advice: pd.DataFrame | None) -> pd.DataFrame:
    """Each method's default quantities over its rows; rows that use none of one do not count."""
    numbers = rules[list(QUANTITIES)].mask(rules[list(QUANTITIES)] == 0)
    median = numbers.groupby(rules["method"]).median().fillna(0.0)
    if advice is None:
        return median
    used = rules["rule"].map(advice["rule"].value_counts()).fillna(0)
    counted = numbers.notna().mul(used, axis=0).groupby(rules["method"]).sum()
    total = numbers.mul(used, axis=0).groupby(rules["method"]).sum()
    return (total / counted.mask(counted == 0)).fillna(median)


def _spreads(values: Parameters) -> dict[str, float]:
    return {name: values[f"treatment.{name}"] for name in ("prior_cv", "job_cv", "job_cv_jobs")}


def _method_estimates(jobs: pd.DataFrame, default: pd.Series, method: str,
                      values: Parameters) -> list[list[object]]:
    timed = jobs.dropna(subset=["minutes"])
    rows: list[list[object]] = []
    if len(timed) and default["minutes_per_m2"] > 0:
        rows += _two_parts(timed, "minutes", default["minutes_per_visit"],
                           default["minutes_per_m2"], method, values)
    elif len(timed):
        parts = np.full((len(timed), 1), default["minutes_per_visit"])
        rows.append(_one_part(timed["minutes"].to_numpy(float), parts,
                              default["minutes_per_visit"], method, "minutes_per_visit", "minutes",
                              values))
    for used, quantity in LITRES.items():
        if used not in jobs or default[quantity] == 0:
            continue
        known = jobs.dropna(subset=[used])
        if len(known):
            parts = (default[quantity] * known["area_m2"].to_numpy(float))[:, None]
            rows.append(_one_part(known[used].to_numpy(float), parts, default[quantity], method,
                                  quantity, "L/m2", values))
    return rows


def _cost_estimates(usable: pd.DataFrame, typical: pd.DataFrame,
                    values: Parameters) -> list[list[object]]:
    if "cost" not in usable:
        return []
    priced = usable.dropna(subset=["cost"])
    priced = priced[priced["method"].isin(typical.index)]
    if priced.empty:
        return []
    visit = typical["minutes_per_visit"].reindex(priced["method"]).to_numpy()
    per_m2 = typical["minutes_per_m2"].reindex(priced["method"]).to_numpy()
    power = priced["method"].map(lambda method: values[f"costs.minutes_area_power_{method}"])
    areas = priced["area_m2"].to_numpy() ** power.to_numpy(float)
    per_minute = priced["cost"].sum() / (visit + per_m2 * areas).sum()
    rows: list[list[object]] = []
    for method, jobs in priced.groupby("method"):
        default = typical.loc[method] * per_minute
        if per_minute > 0 and default["minutes_per_m2"] > 0:
            rows += _two_parts(jobs, "cost", default["minutes_per_visit"],
                               default["minutes_per_m2"], str(method), values)
    return rows


#: What is measured of a job, as the part of each visit and that of each m², with their units.
_PARTS = {"minutes": (("minutes_per_visit", "minutes"), ("minutes_per_m2", "minutes/m2")),
          "cost": (("cost_per_visit", "currency"), ("cost_per_m2", "currency/m2"))}


def _two_parts(jobs: pd.DataFrame, column: str, visit: float, per_m2: float, method: str,
               values: Parameters) -> list[list[object]]:
    area = jobs["area_m2"].to_numpy(float) ** values[f"costs.minutes_area_power_{method}"]
    parts = np.column_stack([np.full(len(jobs), visit), per_m2 * area])
    mean, sd, alone, weight = shrunken_ratios(parts, jobs[column].to_numpy(float),
                                              **_spreads(values))
    return [_row(method, quantity, unit, len(jobs), *found) for (quantity, unit), *found in zip(
        _PARTS[column], (visit, per_m2), mean, sd, alone, weight, strict=True)]


def _one_part(seen: np.ndarray, parts: np.ndarray, default: float, method: str, quantity: str,
              unit: str, values: Parameters) -> list[object]:
    mean, sd, alone, weight = shrunken_ratios(parts, seen, **_spreads(values))
    return _row(method, quantity, unit, len(seen), default, mean[0], sd[0], alone[0], weight[0])


def _row(method: str, quantity: str, unit: str, n: int, default: float, mean: float, sd: float,
         alone: float, weight: float) -> list[object]:
    reach = REACH_SDS * sd
    return [method, quantity, unit, n, default, default * alone, default * mean,
            default * max(mean - reach, 0.0), default * (mean + reach), weight]


def _corrected(rules: pd.DataFrame, estimates: pd.DataFrame) -> pd.DataFrame:
    """Scale every row of a method by calibrated over default."""
    fixed = rules.copy()
    corrections = estimates[estimates["quantity"].isin(QUANTITIES)]
    ratios = (corrections["calibrated"] / corrections["default"]).astype(float)
    for method, quantity, ratio in zip(corrections["method"], corrections["quantity"], ratios,
                                       strict=True):
        fixed.loc[fixed["method"] == method, quantity] *= ratio
    return fixed


def observed_costs(works: pd.DataFrame, *, parameters: Parameters) -> pd.DataFrame:
    """Return the people on a job and the materials per method as they were booked.

    What a job cost beyond its hours at the project's own pay and the disposal of its wash water
    is taken for materials. Where the project does not name its pay, cost cannot be told apart
    and materials stay as assumed.

    Parameters
    ----------
    works
        The `works` table.
    parameters
        Uses ``costs.labour_per_hour`` and ``water_per_l``, the defaults per method,
        ``treatment.job_cv_jobs`` (how many jobs a default number of people counts for),
        ``prior_cv`` and ``job_cv``.

    Returns
    -------
    pandas.DataFrame
        ``method, quantity, n_jobs, observed, calibrated``: ``crew_size`` [persons] and
        ``materials_per_m2`` [currency/m2].
    """
    rows: list[tuple[object, ...]] = []
    known = works.dropna(subset=["method"])
    if "crew_size" not in known:
        known = known.iloc[:0].assign(crew_size=np.nan)
    prior = parameters["treatment.job_cv_jobs"]
    pay = parameters.row("costs.labour_per_hour")
    for method, jobs in known.dropna(subset=["crew_size"]).groupby("method"):
        found = [("crew_size", len(jobs), float(jobs["crew_size"].mean()))]
        priced = jobs[jobs["area_m2"] > 0].dropna(subset=["cost", "minutes"]) if (
            pay.overridden and {"cost", "minutes", "area_m2"} <= set(jobs)) else jobs.iloc[:0]
        for quantity, n, observed in found:
            name = f"costs.{quantity}_{method}"
            if name in parameters:
                blended = (n * observed + prior * parameters[name]) / (n + prior)
                rows.append((method, quantity, n, observed, blended))
        if len(priced) and f"costs.materials_per_m2_{method}" in parameters:
            rows.append((method, "materials_per_m2", len(priced),
                         *_materials(priced, f"costs.materials_per_m2_{method}", parameters)))
    return pd.DataFrame(rows, columns=["method", "quantity", "n_jobs", "observed", "calibrated"])


def _materials(priced: pd.DataFrame, name: str, parameters: Parameters) -> tuple[float, float]:
    """Return what of the booked cost is neither pay nor disposal, a m2, as seen and calibrated."""
    hours = priced["minutes"] / MINUTES_PER_HOUR * priced["crew_size"]
    litres = priced["wash_water_l"].fillna(0.0) if "wash_water_l" in priced else 0.0
    rest = (priced["cost"] - hours * parameters["costs.labour_per_hour"]
            - litres * parameters["costs.water_per_l"])
    area, default = priced["area_m2"], parameters[name]
    observed = max(0.0, float(rest.sum())) / float(area.sum())
    # How far single jobs lie apart, seen and assumed, against how far a crew may lie from default.
    spread, few = _spreads(parameters), len(priced) - 1
    seen = float((rest / area).var()) * few if few else 0.0
    assumed = spread["job_cv_jobs"] * (spread["job_cv"] * default) ** 2
    of_mean = (seen + assumed) / (few + spread["job_cv_jobs"]) / len(priced)
    weight = of_mean / (of_mean + (spread["prior_cv"] * default) ** 2) if default else 0.0
    return observed, weight * default + (1 - weight) * observed


# The crew's works log: what was done, how long it took, what it used, what it cost.

SQUARE_FOOT_M2 = 0.09290304  # international foot, exact
MINUTES_PER_HOUR = 60.0
TEXTS = ("work_id", "report_id", "asset_id", "done_at", "crew")
NUMBERS = ("area_m2", "minutes", "crew_size", "paint_l", "remover_l", "wash_water_l", "cost")


def read_works(path: Path | str, *, columns: Mapping[str, str] | None = None,
               sheet: str | None = None) -> pd.DataFrame:
    """Read a works log to the `works` table.

    Parameters
    ----------
    path
        CSV/TSV, workbook or Parquet, one row per job.
    columns
        Field to column name where the header words do not tell.
    sheet
        Which sheet of a workbook.

    Returns
    -------
    pandas.DataFrame
        The `works` table, with the row of the file each job stands in as ``source_rows``. Hours
        become minutes and square feet square metres. A number that
        cannot be read, or is below nought, is empty; a job without a number is named by its row.
        How each column was understood stands in ``.attrs["notes"]``, as messages in text.

    Raises
    ------
    InputFileError
        If the file cannot be read.
    ManyErrors
        Listing columns that are not there.
    """
    where = Path(path).name
    raw = read_table(path, sheet=sheet, has_header=True).filled()
    chosen, notes, faults = resolve_columns(list(raw.table.columns), columns, kind="works",
                                            needed=("method",), where=where)
    if faults:
        raise ManyErrors(where, faults)
    works = _columns(raw.table, chosen).assign(source_rows=[
        f"{where}#{row}" for row in raw.table.index]).reset_index(drop=True)
    unreadable = works["method"].isna() & works["method_given"].notna()
    if unreadable.any():
        words = ", ".join(map(repr, sorted(works.loc[unreadable, "method_given"].unique())[:10]))
        notes.append(message("columns.methods_unknown", n=int(unreadable.sum()), words=words))
    check(works, "works", where=where)
    works.attrs["notes"] = [as_text(note) for note in (*raw.notes, *notes)]
    return works


def _columns(table: pd.DataFrame, chosen: Mapping[str, str]) -> pd.DataFrame:
    def text(field: str) -> pd.Series:
        if field in chosen:
            return table[chosen[field]]
        return pd.Series([None] * len(table), index=table.index, dtype="str")

    def number(field: str) -> pd.Series:
        plain = text(field).str.replace(r"[^\d.,-]", "", regex=True)
        decimal = plain.str.replace(r",(?=\d{3}(?:\D|$))", "", regex=True).str.replace(",", ".")
        value = pd.to_numeric(decimal, errors="coerce").astype(float)
        return value.where(value >= 0)

    works = pd.DataFrame({name: text(name) for name in TEXTS})
    row = "row " + pd.Series(works.index, index=works.index).astype("str")
    again = works["work_id"].duplicated() & works["work_id"].notna()
    works["work_id"] = works["work_id"].where(~again, works["work_id"] + " " + row).fillna(row)
    works["method_given"] = text("method")
    coded = code_texts(works["method_given"], kind="method", otherwise="")
    works["method"] = coded.where(coded != "")
    for name in NUMBERS:
        works[name] = number(name)
    works["area_m2"] = works["area_m2"].fillna(number("area_sqft") * SQUARE_FOOT_M2)
    works["minutes"] = works["minutes"].fillna(number("hours") * MINUTES_PER_HOUR)
    return works
