"""The door of the room: one set of finished tables in, the whole report out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from rehit.files.writing import staged_folder
from rehit.parameters import Parameters, load_parameters
from rehit.report.document import Document, Section
from rehit.report.geodata import GEOPACKAGE, write_geopackage, write_parquet
from rehit.report.inputs import ReportInput, check_input
from rehit.report.maps import render_map
from rehit.report.measures import Facts, gather_facts, trace_counts
from rehit.report.pages import render_page, render_paper
from rehit.report.quality import quality_section
from rehit.report.sections import (
    cost_section,
    evaluation_section,
    glossary_section,
    hotspots_section,
    methods_section,
    notes_section,
    places_section,
    programme_section,
    response_section,
    summary_section,
    volume_section,
)
from rehit.report.trace import FILE as TRACE_FILE
from rehit.report.workbook import write_workbook

REPORT, MAP, PAPER, WORKBOOK = "report.html", "map.html", "report.pdf", "workbook.xlsx"
DATA = "data"

_SECTIONS: tuple[Callable[[Facts], Section], ...] = (
    volume_section, response_section, places_section, hotspots_section, methods_section,
    cost_section, programme_section, evaluation_section, quality_section, notes_section,
    glossary_section,
)


def build_document(facts: Facts) -> Document:
    """Write all sections, the summary from their figures, and check that the figures add up."""
    trace_counts(facts)
    sections = [make(facts) for make in _SECTIONS]
    facts.book.check_sums()
    inputs, w = facts.inputs, facts.words
    return Document(w.language, w("page.title", name=inputs.name),
                    w.days(inputs.period_start, inputs.period_end),
                    (summary_section(facts), *sections))


def write_report(inputs: ReportInput, folder: Path, *,
                 parameters: Parameters | None = None) -> list[Path]:
    """Write report, map, workbook and data files for one period into `folder`.

    Files are written whole or not at all: ``report.html``, ``map.html``, ``report.pdf``,
    ``workbook.xlsx``, ``rehit.gpkg``, ``trace.json``, and in ``data/`` a Parquet file per
    table with ``datapackage.json``. The same input gives the same bytes of page and PDF.

    Parameters
    ----------
    inputs
        Project facts and finished tables, see :class:`~rehit.report.inputs.ReportInput`.
    folder
        Where the files shall stand; made if missing.
    parameters
        Numbers in force; the defaults where None.

    Returns
    -------
    list of pathlib.Path
        The files, the report first.

    Raises
    ------
    ManyErrors
        If tables break their contracts; all faults at once.
    InputFileError
        If `folder` cannot be written.
    """
    check_input(inputs)
    facts = gather_facts(inputs, parameters or load_parameters())
    document = build_document(facts)
    figures = list(facts.book.figures.values())
    names = [REPORT, MAP, PAPER, WORKBOOK, TRACE_FILE, GEOPACKAGE]
    with staged_folder(Path(folder)) as stage:
        page = render_page(document, facts.words, figures=figures,
                           rows_shown=int(facts.number("trace_rows")), map_name=MAP)
        (stage / REPORT).write_text(page, encoding="utf-8", newline="\n")
        (stage / MAP).write_text(render_map(facts, report_name=REPORT), encoding="utf-8",
                                 newline="\n")
        (stage / PAPER).write_bytes(render_paper(document, facts.words, figures=figures))
        write_workbook(stage / WORKBOOK, facts)
        write_geopackage(stage / GEOPACKAGE, facts)
        names += [f"{DATA}/{name}" for name in write_parquet(stage / DATA, facts)]
        (stage / TRACE_FILE).write_text(facts.book.to_json(), encoding="utf-8", newline="\n")
    return [Path(folder) / name for name in names if (Path(folder) / name).exists()]
