"""The view for decisions: a day's patrol, the contract's price, policies, a period's report."""

from __future__ import annotations

import html
from collections.abc import Callable, Mapping
from functools import partial
from typing import TYPE_CHECKING, Any

import pandas as pd
import panel as pn
from matplotlib.figure import Figure

from rehit.app.day import patrol
from rehit.app.parts import (
    Field,
    button,
    choose_many,
    grid,
    heading,
    picture,
    select,
    tabs,
    text_input,
    words,
    written,
)
from rehit.app.running import downloads, resume, run
from rehit.app.trying import whatif
from rehit.outputs.price import RISK_PICTURES
from rehit.outputs.report import PAPER, WORKBOOK
from rehit.parameters import load_parameters
from rehit.report.catalogue import languages
from rehit.report.document import SECTIONS
from rehit.report.figures import bid_risk
from rehit.report.pages import FRONT

if TYPE_CHECKING:
    from rehit.app.jobs import Job
    from rehit.app.page import Page
    from rehit.parameters import Parameter, Parameters

#: Numbers that a bid is asked with; those of them that are shares.
PRICE_NUMBERS = ("contract.margin", "contract.crews", "service.offensive_hours",
                 "service.ordinary_working_days", "contract.standard_share")
SHARES = ("contract.margin", "contract.standard_share")
RISK, BID_FILES = "bid_risk.csv", ("bid.xlsx", "bid_summary.pdf", "bid_rates.csv")
REPORT_FILES = (FRONT, PAPER, WORKBOOK)
#: Every so many-th price of the curve stands in the table beside it.
RISK_SHOWN = 3


def view(page: Page) -> Any:
    """Return the view: a part for each decision."""
    parts: dict[str, Callable[[Page], Any]] = {
        "patrol": patrol, "price": price, "whatif": whatif, "quarter": quarter}
    return pn.Column(heading(page.say("app.decide_head")), tabs({
        page.say(f"app.part_{name}"): partial(make, page) for name, make in parts.items()}),
        sizing_mode="stretch_width")


def price(page: Page) -> Any:
    """Return the part that prices a contract: what is asked for, the bid and its risk."""
    say, told = page.say, pn.Column(sizing_mode="stretch_width")
    shown = pn.Column(sizing_mode="stretch_width")
    project = page.project()
    numbers = load_parameters() if project is None else project.parameters
    years = select("", {str(n): str(n) for n in range(1, int(
        numbers["contract.longest_years"]) + 1)}, "1", label=say("app.price_years"), width=300)
    lines = {name: text_input(say(f"app.price_{name.partition('.')[2]}"),
                              _as_asked(numbers.row(name)), max_width=300)
             for name in PRICE_NUMBERS}
    fields = {name: Field(line) for name, line in {"--years": years, **lines}.items()}

    def draw(_job: Job | None = None) -> None:
        shown.objects = bid_shown(page)

    def bid() -> None:
        run(page, told, "price", ["--years", years.value, *numbers_set(
            {name: written(line) for name, line in lines.items()}, numbers)], fields=fields,
            then=draw)

    draw()
    resume(page, told, "price", then=draw)
    return pn.Column(
        heading(say("app.part_price"), level=3), words(html.escape(say("app.price_about"))),
        pn.FlexBox(*fields.values()), words(html.escape(say("app.price_numbers")),
                                                  css="small"),
        button(say("app.price_make"), bid, kind="main"), told, shown,
        sizing_mode="stretch_width")


def _as_asked(row: Parameter) -> str:
    """Return a number in force as a person writes it: shares in hundredths."""
    return f"{100 * row.value:g} %" if row.name in SHARES else f"{row.value:g}"


def numbers_set(given: Mapping[str, str], numbers: Parameters) -> list[str]:
    """Return what a person asked for as options of a command; what is in force anyway is left out.

    Examples
    --------
    >>> numbers_set({"contract.crews": "2,5", "contract.margin": "10 %"}, load_parameters())
    ['--set', 'contract.crews=2.5']
    """
    options = []
    for name, text in given.items():
        value = as_share(text) if name in SHARES else text.replace(",", ".").strip()
        if value and value != f"{numbers[name]:g}":
            options += ["--set", f"{name}={value}"]
    return options


def bid_shown(page: Page) -> list[Any]:
    """Return the bid that stands in the results: its risk by price, the crews looked at, its files.

    Nothing where no contract has been priced.
    """
    say, results = page.say, page.results
    if not (results / RISK).is_file():
        return []
    risk = pd.read_csv(results / RISK)
    text = bid_risk(risk, ax=Figure().add_subplot(), say=say)
    some = risk[risk["asked"] | (risk.index % RISK_SHOWN == 0)]
    crews = pd.read_csv(results / "bid_crews.csv")
    return [
        heading(say("app.price_bid"), level=3), heading(text.title, level=4),
        picture(*(page.desk.address(results.parent, name) for name in RISK_PICTURES), alt=text.alt),
        words(html.escape(text.note), css="small"),
        grid(pd.DataFrame({
            say("app.col_price"): [say("app.price_asked" if each.asked else "app.sum",
                                       money=each.price_per_year) for each in some.itertuples()],
            say("app.col_loss"): [say("app.chance", chance=v) for v in some["chance_of_loss"]],
            say("app.col_kept"): [say("app.chance", chance=v) for v in some["chance_margin_kept"]],
            say("app.col_profit"): [say("app.sum", money=v) for v in some["profit_per_year"]],
        }), title=say("app.price_risk")),
        grid(pd.DataFrame({
            say("bid.col_arrangement"): [
                say("bid.chosen", what=words_) if chosen else words_ for words_, chosen in zip(
                    say.cells(crews["arrangement"], "arrangement"), crews["chosen"], strict=True)],
            say("bid.col_crews"): [say.given(v) for v in crews["crews"]],
            say("app.col_in_time"): [say("app.chance", chance=v) for v in crews[
                ["in_time_offensive", "in_time_ordinary"]].min(axis=1)],
            say("app.col_price"): [say("app.sum", money=v) for v in crews["lump_sum"]],
        }), title=say("bid.head_crews")),
        downloads(page, BID_FILES)]


def as_share(text: str) -> str:
    """Return a margin as the share that the command takes.

    Examples
    --------
    >>> as_share("12 %"), as_share("12,5"), as_share("0.12"), as_share("much")
    ('0.12', '0.125', '0.12', 'much')
    """
    plain = text.replace("%", "").replace(",", ".").strip()
    try:
        number = float(plain)
    except ValueError:
        return text
    return f"{number / 100 if number >= 1 or '%' in text else number:g}"


def quarter(page: Page) -> Any:
    """Return the part that makes a period's report: page, PDF and workbook."""
    say, told = page.say, pn.Column(sizing_mode="stretch_width")
    shown = pn.Column(sizing_mode="stretch_width")
    period = text_input(say("app.quarter_period"))
    asked = Field(period)
    language = select("", {name: name for name in languages()}, page.language,
                      label=say("app.quarter_language"))
    left_out = choose_many(say("app.quarter_sections"), {
        say.code("heading", name): name for name in SECTIONS}, [])

    def draw(_job: Job | None = None) -> None:
        made = (page.results / FRONT).is_file()
        shown.objects = [heading(say("app.quarter_files"), level=3),
                         downloads(page, REPORT_FILES)] if made else []

    def report() -> None:
        given = written(period)
        run(page, told, "report", [
            *(["--period", given] if given else []),
            *(["--leave-out", *left_out.value] if left_out.value else [])],
            language=language.value, fields={"--period": asked}, then=draw)

    draw()
    resume(page, told, "report", then=draw)
    return pn.Column(
        heading(say("app.part_quarter"), level=3), words(html.escape(say("app.quarter_about"))),
        asked, pn.FlexBox(language, left_out),
        button(say("app.quarter_make"), report, kind="main"), told, shown,
        sizing_mode="stretch_width")
