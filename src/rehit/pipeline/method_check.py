"""The chosen methods held against ordinary towns and against what the crew did."""

from __future__ import annotations

import pandas as pd

from rehit.pipeline.chain import Chain
from rehit.treatment.compare import compare_done, method_shares


def shares_table(chain: Chain) -> pd.DataFrame | None:
    """Return the shares of methods advised, and done where there is a works log, with their band.

    Returns
    -------
    pandas.DataFrame or None
        The contract ``report_method_shares``; None where no job has a settled method.
    """
    methods = {"advised": chain.advice["method"]}
    if chain.works is not None:
        methods["done"] = chain.works["method"]
    tables = [method_shares(codes, parameters=chain.parameters).assign(jobs=jobs).dropna(
        subset=["share"]) for jobs, codes in methods.items()]
    table = pd.concat(tables, ignore_index=True)
    if table.empty:
        return None
    columns = ["jobs", "code", "share", "usual", "low", "high", "inside"]
    return table[columns].astype({"jobs": "str", "code": "str", "inside": bool})


def done_table(chain: Chain) -> pd.DataFrame | None:
    """Return what was advised against what was done: the contract ``report_advised_done``.

    None where there is no works log, or none of its jobs can be led back to an incident.
    """
    works = chain.works
    if works is None or works["report_id"].isna().all() or (
            "report_id" not in chain.incidents or chain.incidents["report_id"].isna().all()):
        return None
    table = compare_done(chain.advice, works, incidents=pd.DataFrame(chain.incidents))
    return None if table.empty else table.astype({"advised": "str", "done": "str"})
