"""The part that tries policies: which ones, for how long, and what came of them."""

from __future__ import annotations

import html
from collections.abc import Mapping
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import pandas as pd
import panel as pn
import tomlkit
from matplotlib.figure import Figure

from rehit.app.parts import (
    Field,
    button,
    choose_many,
    drop,
    fault,
    grid,
    heading,
    labelled,
    note,
    picture,
    select,
    text_input,
    words,
    written,
)
from rehit.app.project_file import keep_file
from rehit.app.running import downloads, resume, run
from rehit.errors import RehitError
from rehit.outputs.whatif import TRADE_PICTURES
from rehit.parameters import load_parameters
from rehit.policy.answers import MEASURES
from rehit.policy.policies import LOOK_AT, Policy, read_policies
from rehit.report.figures import cost_and_days

if TYPE_CHECKING:
    from rehit.app.jobs import Job
    from rehit.app.page import Page

#: The project's own policies, and what the page tries: those chosen with the one written there.
OWN, TRIED = "policies.toml", "policies_tried.toml"
#: What a policy of one's own may say; those of them that are shares.
ASKED = ("ordinary_working_days", "offensive_hours", "looks_per_week", "crews_more",
         "hours_share", "coat", "cost_per_year")
SHARES = ("hours_share",)
TABLES = ("policies_summary.pdf", "policies.csv", "policies_against_today.csv",
          "policies_cost_and_days.csv", "policies_best.csv", "policies_to_measure.csv",
          "policies_quick_clearance.csv")
#: What the table shows of each policy.
SHOWN = ("visible_days", "cost", "cash", "crew_hours", "share_in_time")


def whatif(page: Page) -> Any:
    """Return the part that tries policies on the patch and shows what came of them."""
    say, told = page.say, pn.Column(sizing_mode="stretch_width")
    shown = pn.Column(sizing_mode="stretch_width")
    years, worth = _years_and_worth(page)
    name = text_input(say("app.whatif_name"), say("app.whatif_own"), max_width=300)
    look_at = select("", {say(f"app.whatif_look_{each}"): each for each in LOOK_AT}, LOOK_AT[0],
                     label=say("app.whatif_look_at"))
    lines = {key: text_input(say(f"app.whatif_{key}"), max_width=300) for key in ASKED}
    fields = {key: Field(line) for key, line in {"--worth-of-day": worth, **lines}.items()}
    choice = pn.Column()
    chosen: dict[str, Policy] = {}

    def offer() -> None:
        offered, choice.objects = _offered(page)
        chosen.clear()
        chosen.update(offered)

    def draw(_job: Job | None = None) -> None:
        shown.objects = answers_shown(page)

    def attempt() -> None:
        picked = [policy for each in choice.objects if isinstance(each, pn.widgets.MultiSelect)
                  for policy in each.value]
        own = as_policy({key: written(line) for key, line in lines.items()}, look_at.value)
        sections = {each: as_section(chosen[each]) for each in picked}
        if own:
            sections[written(name) or say("app.whatif_own")] = own
        if not sections:
            told.objects = [note(say("app.whatif_nothing"), kind="fault")]
            return
        file = page.results.parent / TRIED
        file.write_text(tomlkit.dumps(sections), encoding="utf-8")
        run(page, told, "whatif", ["--policies", file, "--years", years.value,
                                   "--worth-of-day", written(worth).replace(",", ".") or "0"],
            fields=fields, then=draw)

    offer()
    draw()
    resume(page, told, "whatif", then=draw)
    return pn.Column(
        heading(say("app.part_whatif"), level=3), words(html.escape(say("app.whatif_about"))),
        choice, words(html.escape(say("app.whatif_own_about"))),
        pn.FlexBox(name, *(fields[key] for key in ASKED[:3]), look_at,
                   *(fields[key] for key in ASKED[3:])),
        pn.FlexBox(years, fields["--worth-of-day"]),
        button(say("app.whatif_make"), attempt, kind="main"), told, shown,
        _file_of_policies(page, offer), sizing_mode="stretch_width")


def _years_and_worth(page: Page) -> tuple[pn.widgets.Select, pn.widgets.TextInput]:
    """Return where the years and the worth of a day are given; the project's numbers stand there.
    """
    say, project = page.say, page.project()
    numbers = load_parameters() if project is None else project.parameters
    longest = int(numbers.row("policy.years").high)
    return (select("", {str(n): str(n) for n in range(1, longest + 1)},
                   f"{numbers['policy.years']:g}", label=say("app.whatif_years"), width=300),
            text_input(say("app.whatif_worth_of_day"), f"{numbers['policy.worth_of_day']:g}",
                       max_width=300))


def _offered(page: Page) -> tuple[dict[str, Policy], list[Any]]:
    """Return the policies to choose from, and how they are chosen; a spoilt file says why not."""
    say, file = page.say, page.results.parent / OWN
    faults: list[Any] = []
    try:
        policies = read_policies(file if file.is_file() else None)[1:]
    except RehitError as error:
        faults, policies = [fault(say, error)], read_policies()[1:]
    offered = {policy.name: policy for policy in policies}
    return offered, [*faults, choose_many(say("app.whatif_choose"), {
        say.code("policy", each): each for each in offered}, list(offered))]


def _file_of_policies(page: Page, offer: Any) -> Any:
    """Return where a file of policies is handed in; what it holds is then offered."""
    say, told = page.say, pn.Column(sizing_mode="stretch_width")
    box = drop(many=False)

    def take() -> None:
        if not box.value:
            told.objects = [note(say("app.file_missing"), kind="fault")]
            return
        path = [*box.value.values()][-1]
        try:
            read_policies(path)
        except RehitError as error:
            told.objects = [fault(say, error)]
            return
        keep_file(page.results.parent, path.rename(path.with_name(OWN)))
        box.value = {}
        offer()
        told.objects = [note(say("app.whatif_taken"), kind="good")]

    return pn.Column(labelled(say("app.whatif_file"), box), button(say("app.whatif_take"), take),
                     told, sizing_mode="stretch_width")


def as_policy(given: Mapping[str, str], look_at: str) -> dict[str, Any]:
    """Return what a person wrote as a policy's settings; what is no number stays for the command.

    Examples
    --------
    >>> as_policy({"coat": "", "hours_share": "80 %", "looks_per_week": "2,5"}, "round")
    {'hours_share': 0.8, 'looks_per_week': 2.5, 'look_at': 'round'}
    """
    found: dict[str, Any] = {}
    for key, text in given.items():
        plain = text.replace("%", "").replace(",", ".").strip()
        if not plain:
            continue
        try:
            value = float(plain)
        except ValueError:
            found[key] = text
        else:
            found[key] = value / 100 if key in SHARES else value
    return {**found, "look_at": look_at} if "looks_per_week" in found else found


def as_section(policy: Policy) -> dict[str, Any]:
    """Return what a policy changes, as its file has it.

    Examples
    --------
    >>> as_section(Policy(name="coats", coat=50))
    {'coat': 50}
    """
    usual = asdict(Policy(name=policy.name))
    return {key: value for key, value in asdict(policy).items() if value != usual[key]}


def answers_shown(page: Page) -> list[Any]:
    """Return what came of the policies tried last: the drawing, the table, the files.

    Nothing where none were tried.
    """
    say, results = page.say, page.results
    if not (results / "policies_cost_and_days.csv").is_file():
        return []
    trade = pd.read_csv(results / "policies_cost_and_days.csv")
    years = max(int(pd.read_csv(results / "policies.csv")["year"].max()), 1)
    text = cost_and_days(trade, years=years, ax=Figure().add_subplot(), say=say,
                         currency=say.currency)
    return [
        heading(say("app.whatif_answers"), level=3), heading(text.title, level=4),
        picture(*(page.desk.address(results.parent, name) for name in TRADE_PICTURES),
                alt=text.alt),
        words(html.escape(text.note), css="small"),
        grid(changes(page, years=years), title=say("app.whatif_changes")),
        words(html.escape(say("app.whatif_ranges")), css="small"),
        downloads(page, TABLES)]


def changes(page: Page, *, years: int) -> pd.DataFrame:
    """Return what each policy adds to today's practice a year, with its range, as texts."""
    say = page.say
    table = pd.read_csv(page.results / "policies_against_today.csv")
    found: dict[str, list[str]] = {say("app.col_policy"): [], **{
        say(f"policies.row_{key}", currency=say.currency): [] for key in SHOWN}}
    for policy, rows in table.groupby("policy", sort=False):
        # The measures stand in their order, in the words of whoever made the table.
        own = rows.reset_index(drop=True)
        cells = [str(policy)]
        for key in SHOWN:
            row, share = own.loc[MEASURES.index(key)], key == "share_in_time"
            by = 0.01 if share else years
            cells.append(say("app.whatif_points" if share else "app.whatif_change", **{
                name: row[name] / by for name in ("average", "low", "high")}))
        for name, cell in zip(found, cells, strict=True):
            found[name].append(cell)
    return pd.DataFrame(found)

