"""Gamma-Poisson (empirical Bayes) rates: what a place's few incidents say, given all its kind.

The count of a place with exposure E is Poisson(rate x E); rates of one kind of place follow a gamma
distribution. Its two numbers are found by the marginal (negative-binomial) likelihood, truncated
where a place is only known because it was hit at least once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize
from scipy.special import digamma, gammaln

from rehit.errors import SettingError

# Numerical guards of the optimiser, not assumptions about walls: log shape, log mean.
LOG_SHAPE = (-9.0, 7.0)
LOG_MEAN = (-16.0, 9.0)


@dataclass(frozen=True)
class GammaPrior:
    """A gamma distribution of yearly rates, with the uncertainty of its own two numbers.

    Parameters
    ----------
    shape, rate_years
        Mean rate = ``shape / rate_years`` [incidents/year].
    covariance
        2 x 2, of (log shape, log rate_years); zero where the prior was not fitted.
    method
        ``likelihood``, ``moments`` (Marshall 1991) or ``vague`` (nothing to learn from).
    """

    shape: float
    rate_years: float
    covariance: np.ndarray
    method: str

    @property
    def mean(self) -> float:
        """Mean rate [incidents/year]."""
        return self.shape / self.rate_years


def fit_prior(counts: np.ndarray, exposure_years: np.ndarray, *, zero_truncated: bool,
              watched_years: float | None = None) -> GammaPrior:
    """Fit the gamma distribution of rates to counts and exposures.

    Assumptions: counts are Poisson given the rate, places are independent, and (with
    `zero_truncated`) places with no incident are absent from the data, not few.

    Parameters
    ----------
    counts
        Incidents per place, shape (n,).
    exposure_years
        Time at risk per place [years], shape (n,), all positive.
    zero_truncated
        Whether places are seen only when hit at least once (a log without a register).
    watched_years
        Length of the observation window [years], with `zero_truncated`. A place that was never hit
        would have been at risk all of it, so this, not the time at risk left after the waiting of
        those that were hit, is the time in which a place could have stayed unseen. Default: the
        exposures, right where nothing waited.

    Returns
    -------
    GammaPrior
        By likelihood; by Marshall's moments where the likelihood has no usable maximum; the vague
        Jeffreys prior Gamma(1/2, 0) where there are fewer than two places or no incident.

    Raises
    ------
    SettingError
        If an exposure is not positive or a count is negative.

    References
    ----------
    Gamma-Poisson empirical Bayes: Robbins 1956; Clayton and Kaldor 1987, Biometrics 43:671-681.
    Zero-truncated negative binomial: Sampford 1955, Biometrika 42:58-69.

    Examples
    --------
    >>> n = np.array([0, 0, 0, 1, 0, 2, 0, 5, 1, 0, 9, 0])
    >>> prior = fit_prior(n, np.full(12, 2.0), zero_truncated=False)
    >>> round(prior.mean, 3)
    0.75
    """
    counts = np.asarray(counts, dtype="float64")
    exposure = np.asarray(exposure_years, dtype="float64")
    if len(counts) and (not (exposure > 0).all() or not (counts >= 0).all()):
        raise SettingError("fit_prior", got="an exposure <= 0 or a count < 0",
                           allowed="positive exposures and counts from 0", remedy="check the log")
    if len(counts) < 2 or counts.sum() == 0:
        return _vague(exposure)
    # Equal pairs are summed once: real counts are small and exposures often repeat.
    pairs, weights = np.unique(np.column_stack([counts, exposure]), axis=0, return_counts=True)
    n, years, w = pairs[:, 0], pairs[:, 1], weights.astype("float64")
    if zero_truncated and (n <= 1).all():
        # Only single hits would send the mean to nothing: half a place hit twice keeps it finite.
        n, years, w = np.append(n, 2.0), np.append(years, exposure.mean()), np.append(w, 0.5)
    unseen = (years if watched_years is None else np.maximum(years, watched_years)) if (
        zero_truncated) else None
    start = np.array([0.0, np.clip(np.log(counts.sum() / exposure.sum()), *LOG_MEAN)])

    def target(theta: np.ndarray) -> tuple[float, np.ndarray]:
        value, slope = _log_likelihood(theta, n, years, w, unseen)
        return -value / len(counts), -slope / len(counts)

    best = minimize(target, start, jac=True, method="L-BFGS-B", bounds=[LOG_SHAPE, LOG_MEAN])
    if not np.isfinite(best.fun):
        return marshall_prior(counts, exposure)
    return _as_prior(best.x, target, len(counts))


def marshall_prior(counts: np.ndarray, exposure_years: np.ndarray) -> GammaPrior:
    """Fit the gamma distribution of rates by Marshall's global moments.

    Parameters
    ----------
    counts, exposure_years
        As in :func:`fit_prior`; not for zero-truncated data.

    Returns
    -------
    GammaPrior
        With ``shape = mean**2 / variance``; a prior of next to no spread where the counts vary no
        more than chance makes them.

    References
    ----------
    Marshall 1991, Applied Statistics 40:283-294.
    """
    mean, variance = marshall_moments(counts, exposure_years)
    shape = mean**2 / variance if variance > 0 else np.exp(LOG_SHAPE[1])
    return GammaPrior(float(shape), float(shape / mean), np.zeros((2, 2)), "moments")


def marshall_moments(counts: np.ndarray, exposure: np.ndarray) -> tuple[float, float]:
    """Return Marshall's moment estimates: mean rate and between-place variance (not below 0).

    Examples
    --------
    >>> mean, variance = marshall_moments(np.array([2, 9, 1]), np.array([1.0, 1.5, 1.0]))
    >>> round(mean, 4), round(variance, 4)
    (3.4286, 2.1633)
    """
    counts, exposure = np.asarray(counts, "float64"), np.asarray(exposure, "float64")
    total = exposure.sum()
    mean = counts.sum() / total
    spread = (exposure * (counts / exposure - mean) ** 2).sum() / total
    return float(mean), float(max(0.0, spread - mean / exposure.mean()))


def marshall_rates(counts: np.ndarray, exposure: np.ndarray) -> np.ndarray:
    """Return Marshall's globally smoothed rates, one per place.

    References
    ----------
    Marshall 1991, Applied Statistics 40:283-294, equations for the global estimator.

    Examples
    --------
    >>> marshall_rates(np.array([2, 9, 1]), np.array([1.0, 1.5, 1.0])).round(3)
    array([2.876, 4.679, 2.489])
    """
    counts, exposure = np.asarray(counts, "float64"), np.asarray(exposure, "float64")
    mean, variance = marshall_moments(counts, exposure)
    weight = variance / (variance + mean / exposure)
    return mean + weight * (counts / exposure - mean)


def hauer_estimate(observed: float, *, expected_by_model: float, dispersion: float,
                   length: float) -> tuple[float, float, float]:
    """Blend a place's own count with what a model expects of its kind (Hauer's EB estimate).

    Parameters
    ----------
    observed
        Incidents counted.
    expected_by_model
        Incidents that the model expects in the same time.
    dispersion
        Overdispersion parameter per unit of `length`.
    length
        Length or size of the place, in the unit of `dispersion`.

    Returns
    -------
    tuple of float
        Weight of the model, estimate of the expected count, its standard deviation.

    References
    ----------
    Hauer, Harwood, Council, Griffith 2002, Transportation Research Record 1784:126-131.
    """
    weight = 1.0 / (1.0 + expected_by_model / (dispersion * length))
    estimate = weight * expected_by_model + (1.0 - weight) * observed
    return weight, estimate, float(np.sqrt(estimate * (1.0 - weight)))


def posterior(counts: np.ndarray, exposure_years: np.ndarray,
              prior: GammaPrior) -> tuple[np.ndarray, np.ndarray]:
    """Return the gamma posterior of each place's rate as (shape, rate in years).

    The prior's own uncertainty widens the posterior by the first-order correction of Kass and
    Steffey: the variance gains the squared slope of the posterior mean along the prior's numbers.

    References
    ----------
    Kass and Steffey 1989, JASA 84:717-726.
    """
    shape = prior.shape + np.asarray(counts, "float64")
    rate = prior.rate_years + np.asarray(exposure_years, "float64")
    mean = shape / rate
    slope = np.stack([prior.shape / rate, -mean * prior.rate_years / rate])
    extra = np.einsum("in,ij,jn->n", slope, prior.covariance, slope)
    variance = shape / rate**2 + extra
    return mean**2 / variance, mean / variance


def _vague(exposure: np.ndarray) -> GammaPrior:
    tiny = 1e-6 * (float(exposure.mean()) if len(exposure) else 1.0)
    return GammaPrior(0.5, tiny, np.zeros((2, 2)), "vague")


def _log_likelihood(theta: np.ndarray, n: np.ndarray, years: np.ndarray, weight: np.ndarray,
                    unseen: np.ndarray | None) -> tuple[float, np.ndarray]:
    """Value and slope along (log shape, log mean rate), for places seen only if hit in `unseen`."""
    shape, mean = np.exp(theta)
    rate = shape / mean
    log_keep = np.log(rate) - np.log(rate + years)
    value = (gammaln(shape + n) - gammaln(shape) + shape * log_keep
             + n * (np.log(years) - np.log(rate + years)))
    # Derivatives by shape (rate held) and by rate (shape held), then the chain to (shape, mean).
    by_shape = digamma(shape + n) - digamma(shape) + log_keep
    by_rate = shape / rate - (shape + n) / (rate + years)
    if unseen is not None:
        log_none = np.log(rate) - np.log(rate + unseen)
        none = np.exp(shape * log_none)
        value = value - np.log1p(-none)
        odds = none / (1.0 - none)
        by_shape = by_shape + odds * log_none
        by_rate = by_rate + odds * (shape / rate - shape / (rate + unseen))
    slope = np.array([(weight * (by_shape * shape + by_rate * rate)).sum(),
                      -(weight * by_rate * rate).sum()])
    return float((weight * value).sum()), slope


def _as_prior(theta: np.ndarray, target: object, n: int) -> GammaPrior:
    """Turn the optimum into a prior; its covariance is the inverse curvature where sound."""
    step = 1e-4
    curve = np.empty((2, 2))
    for k in range(2):
        shift = np.zeros(2)
        shift[k] = step
        curve[k] = (target(theta + shift)[1] - target(theta - shift)[1]) / (2 * step)  # type: ignore[operator]
    curve = n * (curve + curve.T) / 2
    shape, mean = np.exp(theta)
    to_rate = np.array([[1.0, 0.0], [1.0, -1.0]])  # log rate = log shape - log mean
    covariance = np.zeros((2, 2))
    inside = LOG_SHAPE[0] < theta[0] < LOG_SHAPE[1]
    if inside and (np.linalg.eigvalsh(curve) > 0).all():
        covariance = to_rate @ np.linalg.inv(curve) @ to_rate.T
    elif curve[1, 1] > 0:  # shape sits on its bound: only the mean is uncertain
        covariance = to_rate @ np.diag([0.0, 1.0 / curve[1, 1]]) @ to_rate.T
    return GammaPrior(float(shape), float(shape / mean), covariance, "likelihood")
