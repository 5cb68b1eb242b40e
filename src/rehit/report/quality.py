"""What became of every row of the log, and what its faults do to the results: section and page."""

from __future__ import annotations

import pandas as pd

from rehit.observed import Window
from rehit.report.document import Block, Document, Grid, Section, Sentence
from rehit.report.inputs import each, translated
from rehit.report.measures import Facts
from rehit.report.pages import render_page
from rehit.report.say import Say
from rehit.report.trace import log_rows
from rehit.tables import table

# Are the methods plausible, and was what was advised done: two tables under data quality.

MOST_PAIRS = 8  # pairs of advised and done that differ; the rest stands in the workbook


def method_blocks(say: Say, *, shares: pd.DataFrame | None,
                  done: pd.DataFrame | None) -> list[Block]:
    """Write the shares of methods beside the usual band, and the advice beside the works log.

    Parameters
    ----------
    say
        Catalogue of the language.
    shares, done
        The contracts ``report_method_shares`` and ``report_advised_done``; None leaves one out.
    """
    blocks: list[Block] = []
    if shares is not None and len(shares):
        blocks.append(_shares(say, shares))
    if done is not None and len(done):
        blocks.append(_done(say, done))
    return blocks


def _shares(say: Say, shares: pd.DataFrame) -> Grid:
    rows = tuple(
        (say(f"quality.{r.code}"), say(f"quality.jobs_{r.jobs}"), say.share(r.share),
         say("format.range", low=say.share(r.low), high=say.share(r.high)),
         say("quality.as_usual" if r.inside else "quality.unlike"))
        for r in each(shares))
    return Grid(say("quality.shares_caption"),
                tuple(say(f"quality.col_{c}")
                      for c in ("what", "jobs", "share", "band", "reading")),
                rows, frozenset({2, 3}), say("quality.shares_note"))


def _done(say: Say, done: pd.DataFrame) -> Grid:
    same = done["advised"] == done["done"]
    rows = [(say("quality.any_method"), say("quality.as_advised"),
             say.whole(done.loc[same, "n"].sum()),
             say.share(float(done.loc[same, "share"].sum())))]
    other = done[~same].sort_values(["n", "advised", "done"], ascending=[False, True, True])
    for r in each(other.head(MOST_PAIRS)):
        second = say("quality.second_choice") if r.second_choice else ""
        rows.append((say.code("method", r.advised), say.code("method", r.done) + second,
                     say.whole(r.n), say.share(r.share)))
    return Grid(say("quality.done_caption"),
                tuple(say(f"quality.col_{c}") for c in ("advised", "done", "n_jobs", "share")),
                tuple(rows), frozenset({2, 3}), say("quality.done_note"))


_COLUMNS = ("rows_in", "rows_kept", "rows_joined", "rows_set_aside", "rows_other_service")


def quality_section(facts: Facts) -> Section:
    """Write the section of the report; the row counts become figures that add up."""
    section = Section("quality", facts.say("heading.quality"))
    counts = facts.inputs.given("counts")
    traces: tuple[str, ...] = ()
    if counts is not None:
        parts = ("kept", "joined", "set_aside", *(
            ("other_service",) if "rows_other_service" in _shown(counts) else ()))
        ids = [f"Q{n}" for n in range(2, 2 + len(parts))]
        traces = (_trace(facts, counts, "in", "Q1", tuple(ids)),
                  *(_trace(facts, counts, name, figure) for figure, name in
                    zip(ids, parts, strict=True)))
    section.put(*quality_blocks(facts.say, counts=counts, traces=traces,
                                set_aside=facts.inputs.given("set_aside"),
                                findings=facts.inputs.given("findings")),
                *method_blocks(facts.say, shares=facts.inputs.given("method_shares"),
                               done=facts.inputs.given("advised_done")))
    return section


def _trace(facts: Facts, counts: pd.DataFrame, name: str, figure_id: str,
           parts: tuple[str, ...] = ()) -> str:
    total = int(counts[f"rows_{name}"].sum())
    return facts.trace(figure_id, total, facts.say.whole(total), key=f"Q_{name}", parts=parts,
                       recipe=f"counts.rows_{name}.sum()",
                       live=f"SUM([counts.rows_{name}])",
                       table="counts", log_rows=log_rows(
                           facts.inputs.incidents, facts.inputs.set_aside).get(name, ()))


def _shown(counts: pd.DataFrame) -> tuple[str, ...]:
    """Return the columns of counts to show; other services only where the log holds some."""
    others = "rows_other_service" in counts and counts["rows_other_service"].fillna(0).sum() > 0
    return _COLUMNS if others else _COLUMNS[:-1]


def quality_blocks(say: Say, *, counts: pd.DataFrame | None, set_aside: pd.DataFrame | None,
                   findings: pd.DataFrame | None, traces: tuple[str, ...] = ()) -> list[Block]:
    """Write the account of rows, the reasons for setting aside, and the findings."""
    blocks: list[Block] = []
    if counts is None or counts.empty:
        blocks.append(Sentence(say("quality.no_counts"), tone="note"))
    else:
        blocks += _account(say, counts, traces)
    if set_aside is not None and len(set_aside):
        sums = set_aside.groupby("reason").size().reset_index(name="n_rows")
        ordered = sums.sort_values(["n_rows", "reason"], ascending=[False, True])
        blocks.append(Grid(say("quality.aside_caption"),
                           (say("quality.col_reason"), say("quality.col_rows")),
                           tuple((say.code("set_aside", r.reason), say.whole(r.n_rows))
                                 for r in each(ordered)), frozenset({1})))
    if findings is None or findings.empty:
        blocks.append(Sentence(say("quality.no_findings")))
    else:
        blocks.append(_findings_grid(say, findings))
    return blocks


def _account(say: Say, counts: pd.DataFrame, traces: tuple[str, ...]) -> list[Block]:
    columns = _shown(counts)
    totals = {c: say.whole(counts[c].sum()) for c in columns}
    key = "quality.account_services" if len(columns) == len(_COLUMNS) else "quality.account"
    says = Sentence(say(key, **totals), traces, "key")
    grid = Grid(say("quality.caption"),
                (say("quality.col_file"), *(say(f"quality.col_{c}") for c in columns)),
                tuple((str(row["source_file"]), *(say.whole(row[c]) for c in columns))
                      for _, row in counts.iterrows()), frozenset(range(1, 1 + len(columns))))
    return [says, grid]


def _findings_grid(say: Say, findings: pd.DataFrame) -> Grid:
    order = table("report_findings").column("severity").allowed  # what matters most comes first
    weight = findings["severity"].astype(str).map({code: n for n, code in enumerate(order)})
    ordered = findings.assign(_weight=weight, _rows=-findings["count"].fillna(0)).sort_values(
        ["_weight", "_rows", "code"], kind="stable")
    rows = tuple(
        (str(row["effect"]), "–" if pd.isna(row["count"]) else say.whole(row["count"]),
         say.code("severity", row["severity"]),
         "–" if pd.isna(row["advice"]) else str(row["advice"]))
        for _, row in ordered.iterrows())
    return Grid(say("quality.findings_caption"),
                tuple(say(f"quality.col_{c}") for c in ("effect", "rows", "severity", "advice")),
                rows, frozenset({1}), wordy=True)


def quality_page(*, project_name: str, findings: pd.DataFrame, counts: pd.DataFrame,
                 set_aside: pd.DataFrame, window: Window,
                 time_zone: str = "UTC", language: str = "en",
                 method_shares: pd.DataFrame | None = None,
                 advised_done: pd.DataFrame | None = None) -> str:
    """Write the quality of a cleaned log as one page of its own that works with no network.

    Parameters
    ----------
    project_name
        Title of the page.
    findings, counts, set_aside
        As the cleaning gives them; each may be without rows.
    window
        What the log covers [UTC].
    time_zone
        The calendar its days are written on.
    language
        A language that has a catalogue.
    method_shares, advised_done
        As for the report; left out where None.

    Returns
    -------
    str
        HTML; all text of the log is escaped.
    """
    say = Say(language)
    first, last = (t.tz_convert(time_zone).date() for t in (window.start, window.end))
    covered = say.days(first, last) if (
        window.end > window.start) else say("quality.no_dates")
    section = Section("quality", say("heading.quality"), quality_blocks(
        say, counts=counts, set_aside=set_aside,
        findings=translated(findings, "findings", say)))
    section.put(*method_blocks(say, shares=method_shares, done=advised_done))
    document = Document(language, project_name, covered, (section,))
    return render_page(document, say)
