"""Coordinates come back from every way a spreadsheet writes them."""

from __future__ import annotations

import math

import pandas as pd
from hypothesis import given
from hypothesis import strategies as st

from rehit.words.numbers import coordinate_numbers, plain_numbers

WRITTEN = (
    lambda number: f"{number:.4f}",
    lambda number: f"{number:.4f}".replace(".", ","),
    lambda number: f"{number:,.4f}",
    lambda number: f"{number:,.4f}".translate({44: ".", 46: ","}),
    lambda number: f" {number:,.4f} ".replace(",", "'"),
)


@given(number=st.integers(-10**11, 10**11), way=st.integers(0, len(WRITTEN) - 1))
def test_a_number_comes_back_from_every_way_of_writing_it(number: int, way: int) -> None:
    text = WRITTEN[way](number / 10_000)
    assert coordinate_numbers(pd.Series([text])).tolist() == [number / 10_000]
    assert plain_numbers(pd.Series([text])).tolist() == [number / 10_000]


@given(st.lists(st.text(max_size=12) | st.text(alphabet="0123456789.,' -+eEinfa", max_size=12),
                min_size=1, max_size=6))
def test_any_text_is_a_number_or_none_whatever_stands_beside_it(texts: list[str]) -> None:
    column = coordinate_numbers(pd.Series(texts, dtype="str"))
    alone = [coordinate_numbers(pd.Series([text], dtype="str"))[0] for text in texts]
    assert [str(number) for number in column] == [str(number) for number in alone]
    assert not any(math.isinf(number) for number in column)
