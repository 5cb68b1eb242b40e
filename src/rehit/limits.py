"""What a log cannot tell, said once and carried into every result."""

from __future__ import annotations

import pandas as pd

from rehit.hotspots.pace import find_reporting_change, read_reporting_change
from rehit.observed import Window
from rehit.parameters import Parameters, load_parameters

#: How the limit of a short log begins: the bid says the same of its own season.
SHORT_LOG = "The log covers "


def find_limits(incidents: pd.DataFrame, *, has_register: bool, window: Window,
                parameters: Parameters | None = None) -> tuple[str, ...]:
    """Return one sentence for each thing that this log does not allow to conclude.

    Parameters
    ----------
    incidents
        Placed incidents (the contracts ``incidents`` and ``placed``).
    has_register
        Whether the project names an asset register.
    window
        Observation window, UTC.
    parameters
        Uses ``pipeline.short_log_days``, ``extract_months``, ``extract_month_share``,
        ``lacking_share`` and ``placeless_share``, and what
        :func:`rehit.hotspots.pace.find_reporting_change` uses.
    """
    numbers = load_parameters() if parameters is None else parameters
    if incidents.empty:
        return ("The log holds no usable incident, so nothing can be concluded.",)
    checks = (_extract, _clearance, _places, _surfaces, _sizes, _offensive)
    said = [*_short(window.days, numbers),
            *(sentence for check in checks for sentence in check(incidents, numbers))]
    change = find_reporting_change(incidents["reported_at"], window=window, parameters=numbers)
    if change:
        said.append(read_reporting_change(change))
    if not has_register:
        said.append("There is no asset register: places are derived from the log, so a wall that "
                    "was never reported is not counted, and owners and wall areas are not known.")
    return tuple(said)


def _short(days: float, numbers: Parameters) -> list[str]:
    if days >= numbers["pipeline.short_log_days"]:
        return []
    length = "less than two days" if days < 2 else f"{days:,.0f} days only"
    return [f"{SHORT_LOG}{length}: rates per year stretch what was seen in them to a year, "
            "whatever the season."]


def _extract(incidents: pd.DataFrame, numbers: Parameters) -> list[str]:
    month = incidents["reported_at"].dt.tz_localize(None).dt.to_period("M")
    counts = month.value_counts()
    span = (month.max() - month.min()).n + 1
    busiest = counts.iloc[0] / len(incidents)
    if (span < numbers["pipeline.extract_months"]
            or busiest < numbers["pipeline.extract_month_share"]):
        return []
    return [f"{busiest:.0%} of incidents fall in one month ({counts.index[0]:%B %Y}) of {span}: "
            "this looks like an extract of part of the log, so rates over the whole window are too "
            "low."]


def _clearance(incidents: pd.DataFrame, numbers: Parameters) -> list[str]:
    known = incidents["cleared_at"].notna().mean()
    if known == 0:
        return ["The log gives no clearance dates: a second report cannot be told from a re-hit by "
                "the log itself, response times are not known, and re-hits rest on an assumed "
                "time to clearance."]
    if incidents["status"].eq("cleared").all():
        return ["The log holds closed cases only: what still waits is missing, so times to "
                "clearance look shorter than they are."]
    if 1 - known > numbers["pipeline.lacking_share"]:
        return [f"Only {known:.0%} of incidents have a clearance date; response times describe "
                "those alone."]
    return []


def _places(incidents: pd.DataFrame, numbers: Parameters) -> list[str]:
    street = incidents["place_quality"].eq("street").mean()
    poor = incidents["place_quality"].isin(["default", "none"]).mean()
    said = []
    if street > numbers["pipeline.lacking_share"]:
        said.append(f"{street:.0%} of incidents are known to the street only: streets can be "
                    "ranked, but no single wall can be said to recur.")
    if poor > numbers["pipeline.placeless_share"]:
        said.append(f"{poor:.0%} of incidents have no usable place and take no part in the "
                    "ranking of places.")
    return said


def _surfaces(incidents: pd.DataFrame, numbers: Parameters) -> list[str]:
    unknown = incidents["substrate"].eq("unknown").mean()
    if unknown == 1:
        return ["The log does not say what the surfaces are made of: the method for each job can "
                "only be chosen on inspection, and costs rest on an average method."]
    if unknown > numbers["pipeline.lacking_share"]:
        return [f"The surface is not known for {unknown:.0%} of incidents: their method can only "
                "be chosen on inspection."]
    return []


def _sizes(incidents: pd.DataFrame, _numbers: Parameters) -> list[str]:
    if incidents["area_m2"].notna().any():
        return []
    return ["The log gives no sizes: costs rest on an assumed marked area."]


def _offensive(incidents: pd.DataFrame, _numbers: Parameters) -> list[str]:
    if incidents["priority"].eq("offensive").any():
        return []
    return ["The log flags nothing as offensive, so the shorter response standard cannot be "
            "checked."]
