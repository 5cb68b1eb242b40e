"""An invented log of two years for the contract tests."""

from __future__ import annotations

import numpy as np
import pandas as pd

from rehit.contract.price import Contract, price_contract
from rehit.contract.volume import contract_jobs
from rehit.observed import Window
from rehit.parameters import load_parameters

START, END = pd.Timestamp("2023-01-01", tz="UTC"), pd.Timestamp("2025-01-01", tz="UTC")
HOSTILE = '=HYPERLINK("http://example.org","x")'
NUMBERS = load_parameters().override({
    "contract.draws": 1500, "contract.queue_years": 12, "contract.queue_search_years": 5,
    "contract.sensitivity_draws": 300})


def incidents(n: int = 1400) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return incidents and advice; names of places are hostile."""
    rng = np.random.default_rng(8)
    ids = [f"I{number}" for number in range(n)]
    table = pd.DataFrame({
        "incident_id": ids, "place_id": np.where(rng.random(n) < 0.1, HOSTILE, "P1"),
        "reported_at": (START + pd.to_timedelta(np.sort(rng.random(n)) * 731, unit="D")),
        "priority": rng.choice(["offensive", "ordinary"], n, p=[0.1, 0.9]),
        "area_m2": np.where(rng.random(n) < 0.1, np.nan, rng.lognormal(0, 0.7, n)),
        "substrate": rng.choice(["brick", "metal"], n), "finish": "bare",
        "medium": rng.choice(["spray", "house_paint", "etched"], n, p=[0.94, 0.04, 0.02]),
        "heritage": rng.random(n) < 0.05, "access": rng.choice(["ground", "ladder"], n),
        "traffic_control": rng.random(n) < 0.03})
    advice = pd.DataFrame({"incident_id": ids,
                           "method": rng.choice(["paint_out", "hot_wash"], n, p=[0.7, 0.3])})
    return table, advice


def priced(n_incidents: int = 1400, **options: object) -> Contract:
    """Return a priced contract of the invented log."""
    jobs = contract_jobs(*incidents(n_incidents), parameters=NUMBERS)
    places = pd.DataFrame({"gamma_shape": np.full(50, 28.0), "gamma_rate_years": np.full(50, 2.0)})
    return price_contract(jobs, places, window=Window(START, END), time_zone="UTC",
                          region="PT", parameters=NUMBERS, rng=np.random.default_rng(1),
                          **options)
