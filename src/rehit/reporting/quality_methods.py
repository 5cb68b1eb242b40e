"""Are the methods plausible, and was what was advised done: two tables under data quality."""

from __future__ import annotations

import pandas as pd

from rehit.reporting.document import Block, Grid
from rehit.reporting.rows import each
from rehit.reporting.words import Words

MOST_PAIRS = 8  # pairs of advised and done that differ; the rest stands in the workbook


def method_blocks(words: Words, *, shares: pd.DataFrame | None,
                  done: pd.DataFrame | None) -> list[Block]:
    """Write the shares of methods beside the usual band, and the advice beside the works log.

    Parameters
    ----------
    words
        Catalogue of the language.
    shares, done
        The contracts ``report_method_shares`` and ``report_advised_done``; None leaves one out.
    """
    blocks: list[Block] = []
    if shares is not None and len(shares):
        blocks.append(_shares(words, shares))
    if done is not None and len(done):
        blocks.append(_done(words, done))
    return blocks


def _shares(w: Words, shares: pd.DataFrame) -> Grid:
    rows = tuple(
        (w(f"quality.{r.code}"), w(f"quality.jobs_{r.jobs}"), w.share(r.share),
         w("format.range", low=w.share(r.low), high=w.share(r.high)),
         w("quality.as_usual" if r.inside else "quality.unlike"))
        for r in each(shares))
    return Grid(w("quality.shares_caption"),
                tuple(w(f"quality.col_{c}") for c in ("what", "jobs", "share", "band", "reading")),
                rows, frozenset({2, 3}), w("quality.shares_note"))


def _done(w: Words, done: pd.DataFrame) -> Grid:
    same = done["advised"] == done["done"]
    rows = [(w("quality.any_method"), w("quality.as_advised"), w.whole(done.loc[same, "n"].sum()),
             w.share(float(done.loc[same, "share"].sum())))]
    other = done[~same].sort_values(["n", "advised", "done"], ascending=[False, True, True])
    for r in each(other.head(MOST_PAIRS)):
        second = w("quality.second_choice") if r.second_choice else ""
        rows.append((w.code("method", r.advised), w.code("method", r.done) + second,
                     w.whole(r.n), w.share(r.share)))
    return Grid(w("quality.done_caption"),
                tuple(w(f"quality.col_{c}") for c in ("advised", "done", "n_jobs", "share")),
                tuple(rows), frozenset({2, 3}), w("quality.done_note"))
