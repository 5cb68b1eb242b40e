"""A log of which much is set aside: what it is likely to come from, and what to look at."""

from __future__ import annotations

import pandas as pd

from rehit.parameters import Parameters

# Rows that were never an incident, so that setting them aside loses nothing.
_HARMLESS = ("empty_row", "repeated_header", "clearance_only")
_MAPPING_DATES = ("see that [fields.reported] in mapping.toml names the right column and how it "
                  "writes dates")
_CAUSES = {
    "place_outside_study_area": (
        "lie outside the study area",
        "the study_area in rehit.toml is probably not where the log is, or the log's coordinates "
        "are read in the wrong projection or order",
        "compare study_area (west, south, east, north in degrees) with the log's places, and look "
        "at [places] in mapping.toml"),
    "reported_date_missing": (
        "have no report date", "the column taken for it is probably another one", _MAPPING_DATES),
    "reported_after_extract": (
        "were reported after the end of the extract",
        "the extract_end in rehit.toml is probably too early, or the years are wrong",
        "correct extract_end, or leave it out to have it estimated"),
    "duplicate_without_parent": (
        "are called duplicates of reports that are not in the log",
        "the log was probably exported in part, or a word of its status column is misunderstood",
        "export the whole log, or put the word into a vocabulary file of your own"),
    "void_status": (
        "have a status that says they were withdrawn or entered in error",
        "a word of the status column is probably misunderstood",
        "put the word into a vocabulary file of your own"),
}
_DATES = ("have a report date that cannot be used",
          "the column taken for it is probably another one, or its day and month are read in the "
          "wrong order", _MAPPING_DATES)


def aside_warnings(set_aside: pd.DataFrame, *, rows_in: int,
                   parameters: Parameters) -> list[str]:
    """Return a sentence on the main reason why a large share of the log is set aside, or none.

    Parameters
    ----------
    set_aside
        The table ``set_aside``.
    rows_in
        Rows of the log.
    parameters
        Uses ``pipeline.aside_share``.

    Examples
    --------
    >>> from rehit.parameters import load_parameters
    >>> aside_warnings(pd.DataFrame({"reason": ["void_status"]}), rows_in=100,
    ...                parameters=load_parameters())
    []
    """
    lost = set_aside.loc[~set_aside["reason"].isin(_HARMLESS), "reason"]
    usable = rows_in - (len(set_aside) - len(lost))
    if not len(lost) or len(lost) / usable < parameters["pipeline.aside_share"]:
        return []
    counts = lost.value_counts()
    what, cause, remedy = _CAUSES.get(str(counts.index[0]), _DATES)
    whole = "All" if len(lost) == usable else f"{len(lost):,} of"
    main = "all" if counts.iloc[0] == len(lost) else f"{counts.iloc[0]:,}"
    return [f"{whole} {usable:,} rows are set aside and take no part in any result: {main} of them "
            f"{what}. {cause[:1].upper()}{cause[1:]}: {remedy}, then run rehit clean again."]
