"""What came of a patrol plan, as figures and as sentences."""

from __future__ import annotations

from datetime import date

import pandas as pd

from rehit.patrol.frequency import (
    Frequency,
    even_round,
    marking_days_per_week,
    saved_by_one_hour,
    worst_first,
)
from rehit.patrol.routes import Plan
from rehit.patrol.sheets import Sheet, clock
from rehit.pipeline.chain import Chain
from rehit.wording import counted

LEAST_SAVED = 0.05  # less is 0.0 as written


def summary(chain: Chain, plan: Plan, sheets: list[Sheet], frequency: Frequency, *,
            handed: pd.DataFrame, day: date, notes: list[str],
            no_room: int) -> dict[str, object]:
    """Return the figures of the plan and the sentences that say them."""
    visits = plan.visits
    reported = int((visits["kind"] == "reported").sum())
    spots = visits[visits["kind"] == "hotspot"]
    expected = float(spots.merge(plan.stops[["stop_id", "expected"]], on="stop_id")[
        "expected"].sum())
    # Worked out anew with that hour, so once for figure and sentence.
    saved = 0.0 if frequency.table.empty else saved_by_one_hour(
        frequency, parameters=chain.parameters)
    return {
        "project": chain.project.name, "day": day.isoformat(), "n_crews_out": len(sheets),
        "n_reported": reported, "n_hotspots": len(spots), "expected_found": round(expected, 2),
        "n_left_out": len(plan.left_out), "n_for_others": len(handed),
        "patrol_hours_per_week": round(frequency.hours_per_week, 1),
        "marking_days_per_week": round(frequency.marking_days_per_week, 1),
        "value_of_an_hour": round(saved, 2), "visits_without_room": no_room,
        "sentences": [
            *_day_sentences(chain, plan, sheets, reported, len(spots), expected, handed, day),
            *_week_sentences(chain, frequency, saved, no_room), *notes],
    }


def _day_sentences(chain: Chain, plan: Plan, sheets: list[Sheet], reported: int, spots: int,
                   expected: float, handed: pd.DataFrame, day: date) -> list[str]:
    early = chain.parameters["patrol.early_back_minutes"]
    said = [f"{day:%A} {day.day} {day:%B %Y}: {len(sheets)} of {counted(len(plan.crews), 'crew')} "
            f"{'goes' if len(sheets) == 1 else 'go'} out to {counted(reported, 'reported job')} "
            f"and {counted(spots, 'hotspot')}, where about {expected:.1f} markings should be "
            "found."]
    said += [crew_sentence(plan, sheet, early_min=early) for sheet in sheets]
    jobs = plan.left_out[plan.left_out["kind"] == "reported"]
    said += [f"Left out: {row['name']}: {row['reason']}." for row in jobs.to_dict("records")]
    rest = len(plan.left_out) - len(jobs)
    if rest:
        said.append(f"{counted(rest, 'hotspot')} {'is' if rest == 1 else 'are'} left for another "
                    "day (left_out.csv says why).")
    if len(handed):
        said.append(f"{counted(len(handed), 'open job')} {'is' if len(handed) == 1 else 'are'} not "
                    "for the crews (for_others.csv).")
    return said


def crew_sentence(plan: Plan, sheet: Sheet, *, early_min: float) -> str:
    """Return how many stops a crew has, when it is back, and why if that is early.

    Parameters
    ----------
    plan, sheet
        The day's plan, and the crew's part of it.
    early_min
        Minutes before the end of the shift from which a crew is back early.
    """
    back = float(sheet.rows["arrive_min"].iloc[-1])
    said = f"  {sheet.crew['name']}: {counted(len(sheet.stops), 'stop')}, back at {clock(back)}"
    if back > float(sheet.crew["shift_end_min"]) - early_min:
        return said + "."
    why = ("no stop left out that it can do fits in the time that remains"
           if len(plan.left_out) else
           "every place likely enough to be offered is on a route")
    return f"{said}, with the shift ending at {clock(float(sheet.crew['shift_end_min']))}: {why}."


def _week_sentences(chain: Chain, frequency: Frequency, saved: float,
                    no_room: int) -> list[str]:
    if frequency.table.empty:
        return []
    table, numbers = frequency.table, chain.parameters
    hours = frequency.hours_per_week
    even = marking_days_per_week(table, even_round(table, hours_per_week=hours))
    worst = marking_days_per_week(table, worst_first(table, hours_per_week=hours,
                                                     parameters=numbers))
    said = [
        f"Visit intervals for {len(table):,} places within {hours:.1f} crew hours a week leave "
        f"about {frequency.marking_days_per_week:,.0f} marking-days a week; the even round "
        f"{even:,.0f}, worst first {worst:,.0f}."]
    if saved >= LEAST_SAVED:
        said[0] += f" One more crew hour a week would save {saved:.1f}."
    if frequency.short_by_h > 0:
        said.append(f"The longest intervals allowed need {frequency.short_by_h:.1f} crew hours a "
                    "week more than there are: allow longer ones or give more hours.")
    if no_room:
        said.append(f"{no_room} planned visits found no day with room in the calendar.")
    return said
