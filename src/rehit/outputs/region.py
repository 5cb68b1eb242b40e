"""The comparison of areas as files and sentences: what no single project can say."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
from matplotlib.figure import Figure

from rehit.files.writing import staged_folder, write_csv
from rehit.messages import Message, message
from rehit.parameters import load_parameters
from rehit.region.areas import (
    Standing,
    compare_costs,
    compare_rates,
    compare_shares,
    fit_funnel,
    learn,
)
from rehit.region.run import Outcome, State, region_table, storage
from rehit.report.figures import funnel, house_style, to_png
from rehit.report.say import Say

#: What is compared as a share: name to the columns of part and whole.
SHARES = {"in_time": ("n_in_time", "n_judged"), "rehits": ("n_rehits", "n_known")}
NAMED = 5  # areas a sentence lists; all stand in the table


@contextmanager
def results_folder(out: str) -> Iterator[Path]:
    """Give a scratch folder whose files reach `out` if the block succeeds.

    Parameters
    ----------
    out
        A folder, which gets all files or none, or the address of one in shared storage, to which
        they are copied one by one.
    """
    files, root = storage(out)
    if "file" in files.protocol:
        with staged_folder(Path(root)) as stage:
            yield stage
        return
    with tempfile.TemporaryDirectory() as scratch:
        yield Path(scratch)
        files.put(f"{scratch}/*", root, recursive=True)


def write_region(outcomes: tuple[Outcome, ...], stage: Path, *, say: Say) -> dict[str, Any]:
    """Write the areas' figures, their comparison and its pictures; return the summary.

    Parameters
    ----------
    outcomes
        From :func:`rehit.region.run.run_region`.
    stage
        Folder to write into.
    say
        Language of sentences and pictures.
    """
    tables, sentences = compare_outcomes(outcomes)
    for name, table in tables.items():
        told = {column: table[column].map(say.told) for column in ("where", "got")
                if column in table}
        if "warned" in table:
            told["warned"] = say.cells(table["warned"].where(table["warned"] != ""))
        write_csv(table.assign(**told), stage / f"{name}.csv")
        if name in SHARES and (table["whole"] > 0).sum() > 1:
            _draw(table, name, stage / f"{name}.png", say=say)
    _write_learnt(tables["learnt"], stage / "learnt.toml")
    compared = {name: table.round(4).to_dict("records") for name, table in tables.items()
                if name != "areas"}
    return {"n_areas": len(tables["areas"]), "n_done": len(_usable(tables["areas"])), **compared,
            "sentences": sentences}


def compare_outcomes(outcomes: tuple[Outcome, ...]) -> tuple[dict[str, pd.DataFrame],
                                                             list[Message]]:
    """Compare areas, and say what the tables hold.

    Returns
    -------
    tuple
        Tables ``areas``, ``in_time``, ``rehits``, ``rates``, ``costs`` and ``learnt``, and
        sentences.
    """
    table = region_table(outcomes)
    usable = _usable(table)
    tables, sentences = {"areas": table}, [_counted(table), *_not_done(table)]
    for name, (part, whole) in SHARES.items():
        tables[name] = compare_shares(usable, part=part, whole=whole)
        sentences += _share_sentences(name, tables[name])
    tables["rates"] = compare_rates(usable, count="n_incidents", exposure="asset_years")
    tables["costs"] = compare_costs(usable)
    tables["learnt"] = learn([each.figures for each in outcomes])
    return tables, [*sentences, *_rate_sentences(tables["rates"]),
                    *_cost_sentences(tables["costs"]), *_learnt_sentences(tables["learnt"])]


def _write_learnt(learnt: pd.DataFrame, path: Path) -> None:
    """Write the numbers that a project file takes, ready to be put into one."""
    known, lines = load_parameters(), []
    numbers = learnt[learnt["kind"] == "minutes"]
    for name, value, low, high in zip(*(numbers[column].tolist() for column in (
            "name", "value", "low", "high")), strict=True):
        if name in known:
            allowed = known.row(name)
            held = min(max(value, allowed.low), allowed.high)
            lines.append(f"{name.removeprefix('costs.')} = {held:.4g}  # {low:.3g} – {high:.3g}")
    if lines:
        path.write_text("\n".join(["[costs]", *lines]) + "\n", encoding="utf-8")


def _usable(table: pd.DataFrame) -> pd.DataFrame:
    return table[table["state"].isin([State.DONE.value, State.KEPT.value])]


def _draw(found: pd.DataFrame, name: str, path: Path, *, say: Say) -> None:
    with house_style():
        figure = Figure(figsize=(8, 5), layout="constrained")
        funnel(found, fit_funnel(found["part"].to_numpy(), found["whole"].to_numpy()).limits,
               ax=figure.subplots(), say=say, name=name)
        path.write_bytes(to_png(figure))


def _counted(table: pd.DataFrame) -> Message:
    kept = int((table["state"] == State.KEPT.value).sum())
    return message("region.areas", n=len(table), kept=kept)


def _not_done(table: pd.DataFrame) -> list[Message]:
    out = table[~table["state"].isin([State.DONE.value, State.KEPT.value])]
    said = [message("region.not_done", area=row.area, where=row.where, got=row.got)
            for row in out.head(NAMED).itertuples()]
    more = len(out) - NAMED
    return [*said, message("region.more_not_done", n=more)] if more > 0 else said


def _share_sentences(name: str, found: pd.DataFrame) -> list[Message]:
    """Say who stands out and whether areas differ beyond chance at all."""
    seen = found[found["standing"] != Standing.NO_DATA.value]
    if len(seen) < 2:
        return [message(f"region.{name}_none")]
    said = [message(f"region.{name}_all", share=seen["part"].sum() / seen["whole"].sum(),
                    areas=len(seen))]
    for side, code in ((Standing.FAR_HIGH, "high"), (Standing.FAR_LOW, "low")):
        names = seen.loc[seen["standing"] == side.value, "area"]
        if len(names):
            said.append(message(f"region.{name}_{code}", n=len(names),
                                names=tuple(names.head(NAMED))))
    inside = (~seen["standing"].isin([Standing.FAR_HIGH.value, Standing.FAR_LOW.value])).all()
    return [*said, message(f"region.{name}_alike")] if inside else said


def _rate_sentences(rates: pd.DataFrame) -> list[Message]:
    return [message("region.rates_none")] if len(rates) < 2 else [_highest("rates", rates)]


def _cost_sentences(costs: pd.DataFrame) -> list[Message]:
    if not len(costs):
        return [message("region.costs_none")]
    return [_highest("costs", costs, currency=costs["currency"].iloc[0])]


def _highest(name: str, found: pd.DataFrame, **facts: object) -> Message:
    """Name the highest of a league table with the ranks it may hold."""
    worst = found.iloc[int(found["pooled"].argmax())]
    sure = int(worst["rank_low"]) == int(worst["rank_high"])
    return message(f"region.{name}_first" if sure else f"region.{name}_worst",
                   area=worst["area"], value=worst["pooled"], low=worst["low"],
                   high=worst["high"], first=int(worst["rank_low"]),
                   last=int(worst["rank_high"]), areas=len(found), **facts)


def _learnt_sentences(learnt: pd.DataFrame) -> list[Message]:
    if learnt.empty:
        return []
    minutes = (learnt["kind"] == "minutes").any()
    return [message("region.learnt", areas=int(learnt["n_areas"].max())),
            *([message("region.learnt_minutes")] if minutes else [])]
