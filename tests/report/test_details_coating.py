"""Why coating pays on some places, on cases worked out by hand."""

from __future__ import annotations

import pandas as pd

from rehit.report.details import where_coating_pays
from rehit.report.say import Say

PLACES = ["u1", "u2", "c1", "c2", "c3"]  # two large underpasses hit most, three small cabinets
COSTING = pd.DataFrame({"place_id": PLACES, "wall_area_m2": [80.0, 40.0, 1.0, 2.0, 6.0]})
KINDS = pd.Series(["underpass", "underpass", "cabinet", "cabinet", "door"], index=PLACES)


def _costs(coated: list[str]) -> pd.DataFrame:
    return pd.DataFrame([
        {"place_id": place, "strategy": way, "first_cost": first,
         "cheapest": (place in coated) == (first > 0)}
        for place in PLACES for way, first in (("remove_each_time", 0.0), ("permanent", 90.0))])


def test_small_surfaces_are_named_with_the_kinds_they_are() -> None:
    said = where_coating_pays(COSTING, _costs(["c1", "c2", "c3"]), say=Say("en"), top=2,
                              kinds=KINDS)
    assert said == (
        "A coating is paid by the whole surface, a removal by the marking. So coating is cheapest "
        "at 3 places with mostly small surfaces (cabinet and door): half of them have "
        "less than 2\u00a0m². Among the 2 places hit most it is cheapest at 0, because their "
        "surfaces are large: half of them have more than 60\u00a0m².")


def test_nothing_is_said_where_size_does_not_explain_it() -> None:
    for coated in ([], ["u1", "u2"], ["u2", "c1", "c2", "c3"]):
        assert where_coating_pays(COSTING, _costs(coated), say=Say("en"), top=2) == ""
