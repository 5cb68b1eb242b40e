"""Which column of a log means what: the mapping, its file, and its use on a raw log."""

from __future__ import annotations

from rehit.incidents.mapping_answers import answered, with_setting
from rehit.incidents.mapping_apply import apply_mapping
from rehit.incidents.mapping_file import load_mapping, mapping_text, save_mapping
from rehit.incidents.mapping_model import (
    DATE_FIELDS,
    DATE_PARTS,
    FIELDS,
    LOCATION_ORDERS,
    SIZE_UNITS,
    FieldSource,
    Mapping,
    Places,
    Question,
)

__all__ = [
    "DATE_FIELDS", "DATE_PARTS", "FIELDS", "LOCATION_ORDERS", "SIZE_UNITS", "FieldSource",
    "Mapping", "Places", "Question", "answered", "apply_mapping", "load_mapping", "mapping_text",
    "save_mapping", "with_setting",
]
