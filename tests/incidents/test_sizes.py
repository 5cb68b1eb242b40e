"""Areas by their definitions: 1 ft = 0.3048 m (1959 agreement), A0 = 1 m2 halved (ISO 216)."""

from __future__ import annotations

import math

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rehit.incidents.clean import clean_incidents
from rehit.incidents.rows import CleanSettings
from rehit.incidents.sizes import read_size, read_sizes
from rehit.parameters import load_parameters

FT2 = 0.3048**2


@pytest.mark.parametrize(("text", "area_m2"), [
    ("2x3m", 6.0), ("2m x 3m", 6.0), ("2 m by 3 m", 6.0), ("1.5 x 0.8 m", 1.2), ("1,5m x 2m", 3.0),
    ("200cm x 50cm", 1.0), ("200x50 cm", 1.0), ("2000mm*500mm", 1.0), ("3ft x 4ft", 12 * FT2),
    ("3' x 4'", 12 * FT2), ("6 ft by 2", 12 * FT2), ("10\" x 20\"", 200 * 0.0254**2),
    ("2m high x 3m wide", 6.0), ("approx 6 sq ft", 6 * FT2), ("6 sq. ft.", 6 * FT2),
    ("6 square feet", 6 * FT2), ("6 sqft", 6 * FT2), ("6 ft2", 6 * FT2), ("4 m2", 4.0),
    ("4m²", 4.0), ("4 sqm", 4.0), ("4 sq m", 4.0), ("4 square metres", 4.0), ("0.5 m^2", 0.5),
    (".5 m2", 0.5), ("½ m2", 0.5), ("1/2 sq m", 0.5), ("2-4 m2", 3.0), ("2 to 4 sq m", 3.0),
    ("2 sq yards", 2 * 0.9144**2), ("A4 size", 0.0625), ("about an A3", 0.125), ("A0", 1.0),
    ("2 m", 4.0), ("3 feet", 9 * FT2), ("50cm", 0.25)])
def test_measured_areas(text: str, area_m2: float) -> None:
    size = read_size(text)
    assert size.basis == "measured"
    assert size.area_m2 == pytest.approx(area_m2, rel=1e-12)


@pytest.mark.parametrize(("text", "name"), [
    ("small", "small"), ("SMALL TAG", "small"), ("Medium", "medium"), ("med", ""),
    ("large", "large"),
    ("very large", "very_large"), ("XL", "very_large"), ("size of a door", "door"),
    ("tiny", "tiny"), ("smal", "small"), ("whole wall", "very_large")])
def test_size_words(text: str, name: str) -> None:
    size = read_size(text)
    if not name:
        assert size.rule == "size_unreadable"
    else:
        assert size.basis == "size_class"
        assert size.area_m2 == load_parameters()[f"incidents.size_{name}_m2"]


@pytest.mark.parametrize(("unit", "area_m2"), [("m2", 4.0), ("ft2", 4 * FT2), ("m", 16.0),
                                               ("ft", 16 * FT2)])
def test_bare_number_needs_its_unit(unit: str, area_m2: float) -> None:
    assert read_size("4", unit=unit).area_m2 == pytest.approx(area_m2)
    assert read_size("4").rule == "size_without_unit"
    assert read_size("2x3").rule == "size_without_unit"
    assert read_size("2x3", unit="m").area_m2 == 6.0


@pytest.mark.parametrize("text", ["", "?", "as usual", "A9", "12 tags", "0 m2", "1/0 m2"])
def test_what_is_no_size_gives_none(text: str) -> None:
    assert not read_size(text).area_m2 > 0


def test_free_text_gives_only_what_is_measured() -> None:
    assert read_size("small tag 2x3m by the door", loose=False).area_m2 == 6.0
    assert read_size("small tag by the door", loose=False).rule == "size_unreadable"
    assert read_size("reported 3 times", loose=False).rule == "size_unreadable"


def test_column_keeps_its_index() -> None:
    table = read_sizes(pd.Series(["2x3m", None, "small"], index=[9, 4, 2]))
    assert table.index.tolist() == [9, 4, 2]
    assert table["area_basis"].tolist() == ["measured", "unknown", "size_class"]


@pytest.mark.parametrize(("text", "area_m2"), [
    ("1,200 sq ft", 1200 * FT2), ("1,200sf", 1200 * FT2), ("2,400 x 1,200 mm", 2.88),
    ("1,200.5 sq ft", 1200.5 * FT2), ("1.200,5 m2", 1200.5), ("1,500,000 mm2", 1.5),
    ("1,000-1,200 sq ft", 1100 * FT2), ("1,200 cm x 2,5 cm", 1.2 * 2.5 / 100**2),
    ("0,250 m2", 0.25), ("1,250 m", 1.25**2), ("1,250 m x 0,800 m", 1.0), ("1,5 ft2", 1.5 * FT2)])
def test_comma_before_three_digits(text: str, area_m2: float) -> None:
    assert read_size(text).area_m2 == pytest.approx(area_m2, rel=1e-12)


def test_the_column_tells_what_its_commas_mean() -> None:
    """In a log with decimal commas a comma is one; in a log with decimal points it is not."""
    def areas(*texts: str) -> list[float]:
        return read_sizes(pd.Series(texts))["area_m2"].round(6).tolist()
    assert areas("1,200 m2", "2,5 m2", "1,250 sq ft") == [1.2, 2.5, round(1.25 * FT2, 6)]
    assert areas("1,200 m2", "2.5 m2", "1,250 m") == [1200.0, 2.5, 1.5625]
    open_case = read_sizes(pd.Series(["1,200 m2", "3 m2"]))
    assert open_case["area_m2"].tolist() == [1.2, 3.0]
    assert open_case["rule"].tolist() == ["comma_could_be_thousands", "area_with_unit"]


@pytest.mark.parametrize(("unit", "area_m2"), [("ft2", 1200 * FT2), ("m2", 1.2), ("cm", 144.0)])
def test_bare_number_with_a_comma_goes_by_its_unit(unit: str, area_m2: float) -> None:
    assert read_size("1,200", unit=unit).area_m2 == pytest.approx(area_m2)


@pytest.mark.parametrize("translations", [True, False])
def test_open_commas_stand_in_ledger_and_findings(translations: bool) -> None:
    fields = pd.DataFrame({"source_file": "log.csv", "source_row": [1, 2],
                           "reported": ["2025-03-01 09:00", "2025-03-02 10:00"],
                           "address": ["12 Elm Street", "40 Oak Road"],
                           "size": ["1,200 m2", "3 m2"]})
    cleaned = clean_incidents(fields, mapping=None, settings=CleanSettings(
        time_zone="UTC", crs="EPSG:32630", translations_in_ledger=translations))
    entry = cleaned.ledger[cleaned.ledger["rule"] == "comma_could_be_thousands"]
    assert entry[["before", "after"]].to_numpy().tolist() == [["1,200 m2", "1.2 m2"]]
    finding = cleaned.findings.set_index("code").loc["comma_could_be_thousands"]
    assert finding["count"] == 1


@given(side=st.integers(1, 400), other=st.integers(1, 400),
       unit=st.sampled_from([("cm", 0.01), ("m", 1.0), ("ft", 0.3048), ("in", 0.0254)]))
def test_a_product_is_the_area_of_its_sides(side: int, other: int, unit: tuple[str, float]) -> None:
    """International yard and pound agreement of 1959: 1 ft = 0.3048 m."""
    name, metres = unit
    area, limit = side * other * metres**2, load_parameters()["incidents.area_limit_m2"]
    size = read_size(f"{side / 4:g}{name} x {other} {name}")
    if area / 4 > limit:
        assert size.rule == "size_beyond_belief"
    else:
        assert size.area_m2 == pytest.approx(area / 4)


@given(st.text(max_size=30) | st.text(alphabet="0123456789.,x²mft'\" sqcin/½-~", max_size=12))
def test_any_text_is_an_area_that_can_be_or_none(text: str) -> None:
    size = read_size(text)
    assert math.isnan(size.area_m2) == (size.basis == "unknown")
    assert math.isnan(size.area_m2) or (
        0 < size.area_m2 <= load_parameters()["incidents.area_limit_m2"])
