"""Small patches made by hand, for the tests of what is lived through."""

from __future__ import annotations

from datetime import date
from typing import Any

import numpy as np

from rehit.policy.patch import CHANCES, Patch, Practice, Worlds, draw_worlds


def make_patch(n: int = 1, *, rate_per_year: float = 10.0, wait_days: float = 5.0,
               crews: float = 1000.0, round_the_clock: bool = True, **changes: Any) -> Patch:
    """Return a patch of `n` like places where every job is planned after the same days."""
    practice = Practice(
        crews=crews, hours_per_day=24.0 if round_the_clock else 6.0,
        starts=0.0 if round_the_clock else 7.0, length=24.0 if round_the_clock else 8.0,
        working=np.ones(8000, dtype=bool) if round_the_clock else np.arange(8000) % 7 < 5,
        ordinary_working_days=5.0, offensive_hours=24.0, travel_h=0.0, look_h=0.2)
    practice = changes.pop("practice", practice)
    given = {
        "shape": np.full(n, 1e9), "rate_years": np.full(n, 1e9 / rate_per_year),
        "cell": np.zeros(n, dtype=np.int64), "offensive": np.zeros(n + 1),
        "seen_before": np.append(np.ones(n, dtype=bool), False),
        "onsite_h": np.full(n, 1e-6), "onsite_coated_h": np.full(n, 1e-6),
        "onsite_elsewhere_h": 1e-6, "coating_saves": np.zeros(n), "prevented": 0.0,
        "known_per_year": n * rate_per_year, "elsewhere_per_year": 0.0, "season": np.ones(12),
        "bursts": {"town": 0.0, "cell": 0.0, "place": 0.0},
        "waits": {kind: np.full(len(CHANCES), wait_days)
                  for kind in ("all", "ordinary", "offensive")},
        "usual_doublings": float(np.log2(wait_days + 1)), "further_per_day": 0.0,
        "fades_after_days": 91.0, "effort_sd": 0.0, "speed_limit": 2.0,
        "first_day": date(2026, 1, 5), "practice": practice,
        "intervals": lambda looks_per_week: np.full(n, 7.0 * n / looks_per_week),
        "travel_power": 0.5, "report_days": 0.0, "lead_days": 0.0, **changes}
    return Patch(**given)


def sure_worlds(patch: Patch, draws: int, *, years: int = 1, never_ratio: float = 0.0) -> Worlds:
    """Return worlds in which nothing is in doubt but chance itself."""
    ones = np.ones(draws)
    return draw_worlds(patch, level=np.ones((draws, years)), never_ratio=never_ratio * ones,
                       report_factor=ones, minutes=ones, haste=ones, rng=np.random.default_rng(1))
