"""Messages go through a table's cell and come back as they were."""

from __future__ import annotations

import pandas as pd
import pytest

from rehit.messages import Message, as_text, from_text, message


@pytest.mark.parametrize("told", [
    message("limits.none"), message("limits.short_log", days=12), message("of.place", n=2.5),
    message("topic.text", text='a "quoted" {brace} — ü'), message("topic.flag", yes=True),
    message("topic.list", parts=(1, 2)), message("topic.in", part=message("of.place", n=1)),
    message("topic.many", parts=(message("a.b"), message("c.d", n=1)))])
def test_a_cell_gives_back_the_message(told: Message) -> None:
    assert from_text(as_text(told)) == told


def test_times_and_library_numbers_come_back_plain() -> None:
    day = pd.Timestamp("2025-03-14 09:00")
    back = from_text(as_text(message("topic.day", day=day, n=pd.Series([3]).iloc[0])))
    assert back.facts == {"day": day, "n": 3}


def test_name_and_topic_are_the_two_parts_of_the_code() -> None:
    assert message("limits.short_log").name == "short_log"
    assert len({message("a.b", n=1), message("a.b", n=1), message("a.b", n=2)}) == 2
