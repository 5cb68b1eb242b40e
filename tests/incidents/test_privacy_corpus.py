"""Recall and false alarms on invented notes in five languages (``tests/invented/notes.py``).

The templates were written before the patterns were. The half held out was measured once before
anybody looked at it, on a larger draw: 1,440 of 1,465 gone (98.3 %), and of 1,814 streets and
numbers one street lost and 22 times the number of a substation after "no.". What that showed was
mended then, so that the figures below are no forecast for notes of another kind.
"""

from __future__ import annotations

from collections import Counter

import pytest
from notes import Note, is_left, notes

from rehit.incidents.privacy import scrub, scrub_address


@pytest.fixture(scope="module")
def scrubbed() -> list[tuple[Note, str]]:
    return [(note, (scrub_address if note.kind == "address" else scrub)(note.text)[0])
            for note in notes()]


def test_the_corpus_is_large_and_always_the_same() -> None:
    assert len(notes()) > 2000
    assert notes()[::100] == notes()[::100]


@pytest.mark.parametrize("held_out", [False, True])
def test_98_percent_of_personal_data_goes(scrubbed: list[tuple[Note, str]], held_out: bool) -> None:
    secret = [(note, left) for note, left in scrubbed if note.secret and note.held_out == held_out]
    missed = [(note.kind, note.text, left) for note, left in secret if is_left(note, left)]
    print(f"held out: {held_out}; {len(secret)} planted, {len(missed)} missed,",
          Counter(kind for kind, *_ in missed))
    assert len(missed) <= 0.02 * len(secret), missed


@pytest.mark.parametrize("held_out", [False, True])
def test_995_of_1000_streets_and_things_numbers_stay(
        scrubbed: list[tuple[Note, str]], held_out: bool) -> None:
    kept = [(note.text, stays, left) for note, left in scrubbed if note.held_out == held_out
            for stays in note.stays]
    lost = [case for case in kept if case[1] not in case[2]]
    print(f"held out: {held_out}; {len(kept)} streets and numbers, {len(lost)} lost")
    assert len(lost) <= 0.005 * len(kept), lost
