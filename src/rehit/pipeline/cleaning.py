"""The cleaned log as files: incidents, rows set aside, ledger, counts, quality page."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pandas as pd

from rehit.pipeline.aside_notes import aside_warnings
from rehit.pipeline.chain import Chain
from rehit.pipeline.log_notes import log_findings, told
from rehit.pipeline.method_check import done_table, shares_table
from rehit.pipeline.outputs import write_csv, write_parquet
from rehit.reporting.quality import quality_page


def write_cleaned(chain: Chain, stage: Path, *, methods: bool = False) -> dict[str, Any]:
    """Clean the project's log into `stage` and return the summary.

    Parameters
    ----------
    chain, stage
        The project's results, and the folder to write into.
    methods
        Also choose a method for each incident and show on the quality page whether their shares
        are plausible, and whether what was advised was done.

    Returns
    -------
    dict
        ``per_file`` holds ``source_file, rows_in, rows_kept, rows_joined, rows_set_aside`` for
        each file; their totals stand beside it; ``set_aside_reasons`` counts rows by reason;
        ``set_aside_warnings`` says in a sentence why a large share is set aside, and what to do;
        ``mapping_drift`` says in sentences where a file differs from the mapping.
    """
    # Before cleaning, which lets go of the raw text.
    files = log_findings(chain.raw_logs, chain.mapped_logs, chain.mapping)
    cleaned = chain.cleaned
    chain.step("Writing")
    # The text of a large log takes as long as all its other files together.
    with ThreadPoolExecutor(max_workers=2) as pool:
        text = pool.submit(write_csv, cleaned.incidents, stage / "incidents.csv")
        write_parquet(cleaned.incidents, stage / "incidents.parquet")
        write_csv(cleaned.set_aside, stage / "set_aside.csv")
        write_parquet(cleaned.ledger, stage / "ledger.parquet")
        text.result()
    shares, done = (shares_table(chain), done_table(chain)) if methods else (None, None)
    page = quality_page(
        project_name=chain.project.name, counts=cleaned.counts,
        findings=pd.concat([files, cleaned.findings], ignore_index=True),
        set_aside=cleaned.set_aside, observed_from=cleaned.observed_from,
        observed_to=cleaned.observed_to, time_zone=chain.project.time_zone,
        language=chain.project.language, method_shares=shares, advised_done=done)
    (stage / "quality.html").write_text(page, encoding="utf-8")
    warned = aside_warnings(cleaned.set_aside, rows_in=int(cleaned.counts["rows_in"].sum()),
                            parameters=chain.parameters)
    return {**cleaning_summary(chain), "set_aside_warnings": warned, "mapping_drift": told(files)}


def row_totals(chain: Chain) -> dict[str, int]:
    """Return ``rows_in, rows_kept, rows_joined, rows_set_aside`` of all files together."""
    totals = chain.cleaned.counts[["rows_in", "rows_kept", "rows_joined", "rows_set_aside"]].sum()
    return {str(name): int(value) for name, value in totals.items()}


def cleaning_summary(chain: Chain) -> dict[str, Any]:
    """Return the row counts and reasons of the cleaned log, as plain values."""
    cleaned = chain.cleaned
    reasons = cleaned.set_aside["reason_words"].value_counts()
    return {
        "project": chain.project.name,
        **row_totals(chain),
        "per_file": cleaned.counts.to_dict("records"),
        "set_aside_reasons": {str(words): int(n) for words, n in reasons.items()},
        "observed_from": cleaned.observed_from.isoformat(),
        "observed_to": cleaned.observed_to.isoformat(),
    }
