"""Every record of a feed is a row, or the list it stands in is named."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rehit.errors import InputFileError
from rehit.files.feeds import read_json, read_xml
from rehit.files.reader import read_table
from rehit.messages import message


def read(folder: Path, content: Any) -> Any:
    file = folder / "feed.json"
    file.write_text(content if isinstance(content, str) else json.dumps(content), encoding="utf-8")
    return read_table(file)


def request(number: int) -> dict[str, Any]:
    return {"id": str(number), "status": "open", "address": f"{number} Elm Street"}


def test_two_lists_of_like_records_are_one_table(tmp_path: Path) -> None:
    raw = read(tmp_path, {"open": [request(1), request(2)], "closed": [request(3)]})
    assert raw.table["id"].tolist() == ["1", "2", "3"]
    assert raw.table["list"].tolist() == ["open", "open", "closed"]
    assert raw.notes == (message("reading.lists_joined", names="'open', 'closed'"),)


def test_a_list_of_another_kind_is_named(tmp_path: Path) -> None:
    raw = read(tmp_path, {"meta": {"columns": [{"label": "x"}]},
                          "data": {"rows": [request(1)] * 3}})
    assert raw.table["id"].tolist() == ["1", "1", "1"]
    assert raw.notes == (message("reading.list_left", n=1, name="meta.columns"),)


def test_items_that_are_no_objects_and_empty_ones_are_rows(tmp_path: Path) -> None:
    raw = read(tmp_path, [request(1), {}, "lost", None, [1, 2]])
    assert raw.table["id"].tolist() == ["1", "", "", "", ""]
    assert raw.table["value"].tolist() == ["", "", "lost", "", '["1", "2"]']


def test_features_that_are_no_objects_are_rows(tmp_path: Path) -> None:
    point = {"type": "Feature", "properties": {"id": "1"},
             "geometry": {"type": "Point", "coordinates": [1, 2]}}
    raw = read(tmp_path, {"type": "FeatureCollection", "features": [point, None, "x", 5]})
    assert raw.table["id"].tolist() == ["1", "", "", ""]
    assert raw.table["longitude"].tolist() == ["1.0", "", "", ""]


RECORD = "<request><id>{}</id><media><url>a</url></media><media><url>b</url></media></request>"


def test_groups_and_empty_elements_of_xml_are_rows(tmp_path: Path) -> None:
    """GeoReport v2 wraps requests in one element; other feeds group them by state."""
    raw = read(tmp_path, "<feed><total>5</total><open><total>2</total>" + RECORD.format(1)
               + RECORD.format(2) + "</open><closed>" + RECORD.format(3) + "<request/>"
               + RECORD.format(4) + "</closed></feed>")
    assert raw.table["id"].tolist() == ["1", "2", "3", "", "4"]
    assert raw.table["media.url"].tolist() == ["a; b", "a; b", "a; b", "", "a; b"]
    assert raw.table["list"].tolist() == ["open.request"] * 2 + ["closed.request"] * 3


def test_one_request_and_a_heading_of_xml(tmp_path: Path) -> None:
    raw = read(tmp_path, "<r><about><made>today</made></about><requests><request><id>1</id>"
               "<status>open</status></request></requests></r>")
    assert raw.table.to_dict("records") == [{"id": "1", "status": "open"}]
    assert raw.notes == (message("reading.list_left", n=1, name="about"),)


@pytest.mark.parametrize("text", [
    "<a>" * 5000 + "<b>1</b>" + "</a>" * 5000, '{"a":' * 5000 + "1" + "}" * 5000,
    "[" * 900 + "]" * 900, '[{"a":' * 200 + "1" + "}]" * 200])
def test_what_is_nested_without_end_is_refused_in_words(tmp_path: Path, text: str) -> None:
    with pytest.raises(InputFileError, match=r"nested more than 100 deep|unreadable JSON"):
        read(tmp_path, text)


VALUES = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=6)
RECORDS = st.dictionaries(st.text(max_size=4), VALUES, max_size=3)


@given(st.recursive(VALUES, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(
    st.text(max_size=4), inner, max_size=4), max_leaves=12))
def test_any_json_is_a_table_of_texts_or_refused_in_words(content: object) -> None:
    try:
        table = read_json(json.dumps(content).encode(), where="feed.json").table
    except InputFileError as refused:
        code, table = refused.code, pd.DataFrame()
    else:
        code = ""
    assert code in ("", "errors.no_records")
    assert table.map(lambda cell: isinstance(cell, str)).all(axis=None)


@given(st.lists(RECORDS.filter(bool), min_size=1, max_size=6))
def test_every_record_of_a_list_is_a_row(records: list[dict[str, object]]) -> None:
    assert len(read_json(json.dumps(records).encode(), where="feed.json").table) == len(records)


@given(st.lists(st.dictionaries(st.sampled_from(["id", "address", "notes"]),
                                st.text(alphabet="ab <&>\"\'é]", max_size=6), min_size=1),
                min_size=2, max_size=6))
def test_every_element_of_xml_is_a_row_with_its_texts(records: list[dict[str, str]]) -> None:
    """The standard library writes the XML."""
    root = ElementTree.Element("requests")
    for record in records:
        request = ElementTree.SubElement(root, "request")
        for name, text in record.items():
            ElementTree.SubElement(request, name).text = text
    table = read_xml(ElementTree.tostring(root), where="feed.xml").table
    assert [{name: text.strip() for name, text in row.items() if text.strip()}
            for row in table.to_dict("records")] == [
        {name: text.strip() for name, text in record.items() if text.strip()}
        for record in records]
