"""Power-law trend: whether incidents come faster or slower as time at risk goes on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import chi2, norm

from rehit.errors import TableError


@dataclass(frozen=True)
class PowerLaw:
    """A power-law Poisson process: expected incidents by time t are ``scale * t ** shape``.

    Parameters
    ----------
    shape
        Below 1 the incidents slow down, above 1 they speed up (maximum likelihood).
    shape_unbiased
        The same with the small-sample bias taken out.
    scale
        Of the maximum likelihood fit.
    n
        Incidents used.
    end
        End of the observation [unit of the times].
    stopped_at_event
        Whether observation ended with the last incident rather than at a set time.
    """

    shape: float
    shape_unbiased: float
    scale: float
    n: int
    end: float
    stopped_at_event: bool

    @property
    def scale_unbiased(self) -> float:
        """Scale that goes with the unbiased shape, so that n incidents are expected by the end."""
        return self.n / self.end**self.shape_unbiased

    def expected(self, time: float) -> float:
        """Expected incidents by `time`."""
        return self.scale * time**self.shape

    def mean_time_between(self, *, unbiased: bool) -> float:
        """Mean time between incidents at the rate reached at the end."""
        return self.end / (self.n * (self.shape_unbiased if unbiased else self.shape))

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

    def mean_time_interval(self, *, level: float) -> tuple[float, float]:
        """Approximate interval of the mean time between incidents at the end, time truncated.

        The upper end is infinite where too few incidents bound it.

        References
        ----------
        NIST/SEMATECH e-Handbook of Statistical Methods, section 8.4.5.2.
        """
        z, n = norm.ppf((1 + level) / 2), self.n
        middle = self.mean_time_between(unbiased=True) * n * (n - 1)
        low = middle / (n + z**2 / 4 + np.sqrt(n * z**2 / 2 + z**4 / 16)) ** 2
        reach = n - z * np.sqrt(n / 2)
        return float(low), float(middle / reach**2) if reach > 0 else float("inf")


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
    >>> round(law.shape, 4), round(law.mean_time_between(unbiased=True), 2)
    (0.5372, 310.23)
    """
    t = np.sort(np.asarray(times, "float64"))
    least = 3 if end is None else 2
    if len(t) < least or not (t > 0).all() or (end is not None and t[-1] > end):
        raise TableError("fit_power_law", got=f"{len(t)} times up to {t.max(initial=0):g}",
                         allowed=f"at least {least} times above 0 and not after the end",
                         remedy="use times since the observation began; pool sparse places")
    n, last = len(t), float(t[-1] if end is None else end)
    total = float(np.log(last / t).sum())
    shape = n / total
    unbiased = (n - 2 if end is None else n - 1) / total
    return PowerLaw(shape, unbiased, n / last**shape, n, last, end is None)


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


def read_power_law(law: PowerLaw, *, level: float = 0.9) -> str:
    """Say in one sentence what a fitted power law means, and that the data cannot tell if so.

    The shape of the law is the ratio of the pace at the end to the average pace so far.

    Examples
    --------
    >>> law = fit_power_law(np.array([5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]), end=1500)
    >>> read_power_law(law)
    'Incidents are coming more slowly: the pace at the end is 0.54 times the average so far (90 ...
    """
    low, high = law.shape_interval(level=level)
    numbers = (f"the pace at the end is {law.shape:.2f} times the average so far "
               f"({100 * level:g} % interval {low:.2f} to {high:.2f}; 1 would mean no change)")
    if low > 1:
        return f"Incidents are coming faster: {numbers}."
    if high < 1:
        return f"Incidents are coming more slowly: {numbers}."
    return f"The dates cannot tell whether incidents come faster or slower: {numbers}."
