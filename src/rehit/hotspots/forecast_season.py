"""The yearly swing of the whole town's incidents, used only where the log shows it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.stats import f as f_distribution
from statsmodels.genmod import families
from statsmodels.genmod.generalized_linear_model import GLM

from rehit.parameters import Parameters

YEAR = 365.25
WEEK = 7.0


@dataclass(frozen=True)
class Season:
    """A yearly swing: rate times ``exp(cosine cos(2 pi t / year) + sine sin(2 pi t / year))``.

    Parameters
    ----------
    cosine, sine
        Amplitudes on the log scale, t counted in days since the window opened; both zero where no
        season is shown.
    """

    cosine: float
    sine: float

    def factor(self, day: np.ndarray) -> np.ndarray:
        """Return the rate on each day relative to the year's middle."""
        angle = 2.0 * np.pi * np.asarray(day, "float64") / YEAR
        return np.exp(self.cosine * np.cos(angle) + self.sine * np.sin(angle))

    def mean_factor(self, start: float, length: float) -> float:
        """Return the mean factor over the days from `start` on."""
        return float(self.factor(start + np.arange(0.5, max(length, 1.0))).mean())


NO_SEASON = Season(0.0, 0.0)


def find_season(day: np.ndarray, end: float, *, numbers: Parameters) -> Season:
    """Fit one yearly wave to weekly totals, and keep it only if the log bears it out.

    Assumptions: the swing has the same shape every year. It is kept if the log covers
    ``hotspots.season_min_years``, the wave passes an F test at ``hotspots.season_level`` (the
    spread of the weeks taken from the data), and each half of the log swings the same way by at
    least ``hotspots.season_agreement`` of the whole, so that a single busy summer is not taken for
    a season.

    Parameters
    ----------
    day
        Day of each incident since the window opened.
    end
        Day up to which incidents are looked at.
    numbers
        Parameters of the room.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> rng = np.random.default_rng(1)
    >>> t = rng.uniform(0, 3 * 365.25, 9000)
    >>> kept = t[rng.uniform(0, 2, len(t)) < 1 + 0.5 * np.cos(2 * np.pi * t / 365.25)]
    >>> season = find_season(kept, 3 * 365.25, numbers=load_parameters())
    >>> bool(0.4 < season.cosine < 0.6), bool(abs(season.sine) < 0.1)
    (True, True)
    """
    if end < numbers["hotspots.season_min_years"] * YEAR:
        return NO_SEASON
    weeks = int(end // WEEK)
    past = day[(day >= 0) & (day < weeks * WEEK)]
    if len(past) < weeks:
        return NO_SEASON
    totals = np.bincount((past // WEEK).astype("int64"), minlength=weeks).astype("float64")
    middle = (np.arange(weeks) + 0.5) * WEEK
    wave, chance = _fit_wave(totals, middle)
    half = weeks // 2
    first, _ = _fit_wave(totals[:half], middle[:half])
    second, _ = _fit_wave(totals[half:], middle[half:])
    agreed = min(first @ wave, second @ wave) >= numbers["hotspots.season_agreement"] * wave @ wave
    if chance > numbers["hotspots.season_level"] or not agreed:
        return NO_SEASON
    return Season(float(wave[0]), float(wave[1]))


def _fit_wave(totals: np.ndarray, middle: np.ndarray) -> tuple[np.ndarray, float]:
    """Log-linear trend with and without the wave; returns its amplitudes and the F test's p."""
    angle = 2.0 * np.pi * middle / YEAR
    plain = np.column_stack([np.ones(len(middle)), middle / YEAR])
    full = np.column_stack([plain, np.cos(angle), np.sin(angle)])
    if not totals.any():
        return np.zeros(2), 1.0
    with_wave = GLM(totals, full, family=families.Poisson()).fit()
    without = GLM(totals, plain, family=families.Poisson()).fit()
    spread = max(with_wave.pearson_chi2 / with_wave.df_resid, 1.0)
    ratio = (without.deviance - with_wave.deviance) / 2.0 / spread
    return with_wave.params[2:], float(f_distribution.sf(max(ratio, 0.0), 2, with_wave.df_resid))
