"""The schedule of rates: what is asked per m² of each method."""

from __future__ import annotations

import pandas as pd

from rehit.costs.contract import Contract
from rehit.costs.contract_cost import cost_rates


def schedule_of_rates(contract: Contract, *, level: float | None = None) -> pd.DataFrame:
    """Return the `contract_rates` table: rate at cost and rate asked, per method.

    One factor on all rates brings in idle crews, standing cost, overhead, risk and margin. The
    last row is the minimum charge of a job.

    Parameters
    ----------
    level
        Chance with which the wanted margin is kept (default ``contract.price_level``).
    """
    factor = float(contract.price("schedule_of_rates", level)["factor"])
    rates, least = cost_rates(contract.jobs, parameters=contract.parameters)
    counts = contract.jobs["method"].value_counts()
    rows = [{"item": method, "unit": "m2", "n_jobs": int(counts[method]), "at_cost": rate,
             "asked": rate * factor} for method, rate in sorted(rates.items())]
    rows.append({"item": "minimum_charge", "unit": "job", "n_jobs": len(contract.jobs),
                 "at_cost": least, "asked": least * factor})
    return pd.DataFrame(rows)
