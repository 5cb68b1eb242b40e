"""The view for decisions: a day's patrol, a price for the contract, the quarter's report."""

from __future__ import annotations

import html
from collections.abc import Callable
from functools import partial
from typing import TYPE_CHECKING, Any

import panel as pn

from rehit.app.day import patrol
from rehit.app.parts import button, heading, put, select, text_input, words, written
from rehit.app.running import run
from rehit.report.catalogue import languages

if TYPE_CHECKING:
    from rehit.app.page import Page


def view(page: Page) -> Any:
    """Return the view: three parts, for three people."""
    say, shown = page.say, pn.Column(sizing_mode="stretch_width")
    parts: dict[str, Callable[[Page], Any]] = {
        "patrol": patrol, "price": price, "quarter": quarter}
    buttons = [button(say(f"app.part_{name}"),
                      partial(put, shown, partial(make, page)))
               for name, make in parts.items()]
    shown.objects = [patrol(page)]
    return pn.Column(heading(say("app.decide_head")), pn.FlexBox(*buttons), shown,
                     sizing_mode="stretch_width")


def price(page: Page) -> Any:
    """Return the part that prices a year of the patch."""
    say, told = page.say, pn.Column(sizing_mode="stretch_width")
    margin = text_input(say("app.price_margin"))
    years = select("", {str(n): str(n) for n in (1, 2, 3, 4, 5)}, "1",
                   label=say("app.price_years"))

    def bid() -> None:
        given = written(margin)
        run(page, told, "price", ["--years", years.value,
                                  *(["--margin", as_share(given)] if given else [])])

    return pn.Column(
        heading(say("app.part_price"), level=3), words(html.escape(say("app.price_about"))),
        margin, years, button(say("app.price_make"), bid, kind="main"), told,
        sizing_mode="stretch_width")


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
    """Return the part that makes a period's report."""
    say, told = page.say, pn.Column(sizing_mode="stretch_width")
    period = text_input(say("app.quarter_period"))
    language = select("", {name: name for name in languages()}, page.language,
                      label=say("app.quarter_language"))

    def report() -> None:
        given = written(period)
        run(page, told, "report", ["--period", given] if given else [], language=language.value)

    return pn.Column(
        heading(say("app.part_quarter"), level=3), words(html.escape(say("app.quarter_about"))),
        period, language, button(say("app.quarter_make"), report, kind="main"), told,
        sizing_mode="stretch_width")
