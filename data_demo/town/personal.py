"""Invented personal data planted in notes, so that scrubbing can be measured.

Telephone numbers are from ranges kept for drama (Ofcom 01632 960000-960999 and
07700 900000-900999), mail addresses from example.org (RFC 2606); number plates use letters that
no issued plate has in those places; names are invented.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from town.names import FIRST_NAMES, LAST_NAMES

SENTENCES: dict[str, tuple[str, ...]] = {
    "phone": ("Call me on {} to arrange", "tel {}", "Caller's number {}", "ring {} before visit"),
    "email": ("Reply to {} please", "email: {}", "sent by {}", "Photo from {} attached"),
    "name": ("Mrs {} reported this", "Spoke to Mr {} on site", "Contact: Ms {}", "Dr {} rang"),
    "plate": ("White van {} was parked there", "Car reg {} seen leaving", "vehicle {} noted"),
}


def plant_personal(n: int, rng: np.random.Generator) -> pd.DataFrame:
    """Return n planted notes: kind, secret (the part to be scrubbed), note."""
    makers = {"phone": _phone, "email": _email, "name": _name, "plate": _plate}
    kinds = rng.choice(np.array(["phone", "email", "name", "plate"], dtype=object), size=n,
                       p=[0.4, 0.25, 0.2, 0.15])
    rows = []
    for kind in kinds:
        secret = makers[kind](rng)
        sentence = SENTENCES[kind][int(rng.integers(len(SENTENCES[kind])))]
        rows.append((kind, secret, sentence.format(secret)))
    return pd.DataFrame(rows, columns=["kind", "secret", "note"])


def _phone(rng: np.random.Generator) -> str:
    last = f"{int(rng.integers(1000)):03d}"
    form = ("01632 960{}", "01632960{}", "07700 900{}", "07700900{}", "+44 7700 900{}",
            "(01632) 960 {}", "+44 1632 960{}")
    return form[int(rng.integers(len(form)))].format(last)


def _email(rng: np.random.Generator) -> str:
    first, last = _pick(FIRST_NAMES, rng).lower(), _pick(LAST_NAMES, rng).lower()
    form = ("{0}.{1}@example.org", "{0}{2}@example.org", "{1}@mail.example.org",
            "{0}_{1}+bins@example.org")
    return form[int(rng.integers(len(form)))].format(first, last, int(rng.integers(10, 99)))


def _name(rng: np.random.Generator) -> str:
    first, last = _pick(FIRST_NAMES, rng), _pick(LAST_NAMES, rng)
    return last if rng.random() < 0.5 else f"{first} {last}"


def _plate(rng: np.random.Generator) -> str:
    letters = "".join(rng.choice(list("ABDEGHKLMNRSTUVX"), size=2)) + "Q"
    return f"{_pick(('QI', 'ZI', 'IZ', 'QZ'), rng)}{int(rng.integers(2, 99)):02d} {letters}"


def _pick(words: tuple[str, ...], rng: np.random.Generator) -> str:
    return words[int(rng.integers(len(words)))]
