"""Difference-in-differences on rates: Poisson and negative-binomial, with honest errors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.stats import t as student
from statsmodels.genmod import families
from statsmodels.genmod.generalized_linear_model import GLM

from rehit.hotspots.evaluate_panel import Panel

COLUMNS = ("constant", "treated", "after", "treated_after")
LEAST_DISPERSION, MOST_DISPERSION = 1e-6, 1e3


@dataclass(frozen=True)
class Effect:
    """An effect as a ratio of rates, with its interval and where the error came from."""

    method: str
    log_ratio: float
    standard_error: float
    freedom: float

    @property
    def ratio(self) -> float:
        """Rate ratio: below 1 the measure lowered the rate."""
        return float(np.exp(self.log_ratio))

    def interval(self, *, level: float) -> tuple[float, float]:
        """Interval by Student's t."""
        reach = float(student.ppf((1 + level) / 2, self.freedom)) * self.standard_error
        return float(np.exp(self.log_ratio - reach)), float(np.exp(self.log_ratio + reach))

    @property
    def p_value(self) -> float:
        """Two-sided p-value of no effect."""
        return float(2 * student.sf(abs(self.log_ratio) / self.standard_error, self.freedom))


def effect_by_places(panel: Panel, *, negative_binomial: bool) -> Effect | None:
    """Estimate the effect from places before and after, errors clustered by place.

    Assumptions: without the measure, the treated places' rate would have changed by the same
    ratio as the comparison places'; places are independent of each other.

    Parameters
    ----------
    panel
        From :func:`rehit.hotspots.evaluate_panel.build_panel`.
    negative_binomial
        Whether rates may scatter between places beyond chance (else Poisson).

    Returns
    -------
    Effect or None
        None where one of the four cells has no incident, or a group has fewer than two places.

    References
    ----------
    Hilbe 2011, Negative Binomial Regression. Liang and Zeger 1986, Biometrika 73:13-22.
    """
    used = panel.places[panel.places["group"].isin(["treated", "comparison"])]
    long = pd.concat([pd.DataFrame({
        "place": np.arange(len(used)), "treated": (used["group"] == "treated").to_numpy(float),
        "after": float(when == "after"), "n": used[f"clean_{when}"].to_numpy(),
        "years": used[f"years_{when}"].to_numpy()}) for when in ("before", "after")])
    x = _design(long)
    if _empty_cell(long) or used["group"].value_counts().min() < 2:
        return None
    offset = np.log(long["years"].to_numpy())
    n = long["n"].to_numpy()
    family = families.Poisson()
    if negative_binomial:
        family = families.NegativeBinomial(alpha=_dispersion(n, x, offset))
    fit = GLM(n, x, family=family, offset=offset).fit(
        cov_type="cluster", cov_kwds={"groups": long["place"].to_numpy()})
    name = "negative binomial" if negative_binomial else "Poisson"
    return Effect(f"{name}, errors clustered by place", float(fit.params[3]),
                  float(fit.bse[3]), max(1.0, len(used) - 2.0))


def effect_by_steps(steps: pd.DataFrame) -> Effect | None:
    """Estimate the effect from the groups' steps of time, errors widened by their scatter.

    Within each step the treated places' part of the incidents is binomial, so that season and
    everything else common to both groups drops out; what scatter is left widens the error.

    Parameters
    ----------
    steps
        Steps of a :class:`Panel`.

    Returns
    -------
    Effect or None
        None with an empty cell, no comparison, or fewer than six steps.

    References
    ----------
    McCullagh and Nelder 1989, Generalized Linear Models, section 4.5 (quasi-binomial).
    """
    paired = _paired(steps)
    if len(paired) < 6 or _empty_cell(_two_groups(steps)):
        return None
    x = np.column_stack([np.ones(len(paired)), paired["after"]])
    return _quasi(paired, x, "treated part step by step, errors from the scatter between steps")


def pre_trend(steps: pd.DataFrame) -> Effect | None:
    """Estimate how treated and comparison places moved apart per year before the measure.

    Parameters
    ----------
    steps
        Steps of a :class:`Panel`.

    Returns
    -------
    Effect or None
        Ratio per year of treated over comparison; None with fewer than four steps before, or
        fewer than one incident per step on either side in the mean.
    """
    paired = _paired(steps[~steps["after"]])
    if len(paired) < 4 or paired[["treated", "comparison"]].sum().min() < len(paired):
        return None
    years = (paired["from_day"].to_numpy() - paired["from_day"].mean()) / 365.25
    x = np.column_stack([np.ones(len(paired)), years])
    return _quasi(paired, x, "trend before the measure, treated over comparison, per year")


def _paired(steps: pd.DataFrame) -> pd.DataFrame:
    """One row per step in which either group was hit: both counts and years side by side."""
    used = steps[steps["group"].isin(["treated", "comparison"])]
    wide = used.pivot_table(index="from_day", columns="group", values=["n", "years"])
    if len(used) == 0 or wide.shape[1] < 4:
        return pd.DataFrame({c: [] for c in ("from_day", "treated", "comparison", "log_years",
                                             "after")})
    out = pd.DataFrame({
        "from_day": wide.index, "treated": wide["n"]["treated"].to_numpy(),
        "comparison": wide["n"]["comparison"].to_numpy(),
        "log_years": np.log(wide["years"]["treated"] / wide["years"]["comparison"]).to_numpy(),
        "after": used.groupby("from_day")["after"].first().to_numpy(dtype="float64")})
    return out[out["treated"] + out["comparison"] > 0]


def _quasi(paired: pd.DataFrame, x: np.ndarray, name: str) -> Effect:
    fit = GLM(paired[["treated", "comparison"]].to_numpy(), x, family=families.Binomial(),
                 offset=paired["log_years"].to_numpy()).fit()
    freedom = len(paired) - x.shape[1]
    scatter = max(1.0, float(fit.pearson_chi2) / freedom)
    return Effect(name, float(fit.params[1]), float(fit.bse[1]) * np.sqrt(scatter),
                  float(freedom))


def _two_groups(steps: pd.DataFrame) -> pd.DataFrame:
    used = steps[steps["group"].isin(["treated", "comparison"])]
    return used.assign(treated=(used["group"] == "treated").astype(float),
                       after=used["after"].astype(float))


def _design(long: pd.DataFrame) -> np.ndarray:
    treated, after = long["treated"].to_numpy(), long["after"].to_numpy()
    return np.column_stack([np.ones(len(long)), treated, after, treated * after])


def _empty_cell(long: pd.DataFrame) -> bool:
    cells = long.groupby(["treated", "after"])["n"].sum()
    return len(cells) < 4 or bool((cells == 0).any())


def _dispersion(n: np.ndarray, x: np.ndarray, offset: np.ndarray) -> float:
    """Dispersion at which the Pearson statistic equals its degrees of freedom (moments)."""
    free = len(n) - x.shape[1]

    def excess(log_alpha: float) -> float:
        family = families.NegativeBinomial(alpha=float(np.exp(log_alpha)))
        return float(GLM(n, x, family=family, offset=offset).fit().pearson_chi2) - free

    low, high = np.log(LEAST_DISPERSION), np.log(MOST_DISPERSION)
    if free <= 0 or excess(low) <= 0:
        return LEAST_DISPERSION
    if excess(high) >= 0:
        return MOST_DISPERSION
    return float(np.exp(brentq(excess, low, high, xtol=1e-3)))
