"""Invented notes in five languages, with the truth of what must go from each and what must stay.

Templates, people, streets and numbers of ``notes.toml`` are crossed by one fixed draw. Templates
stand in two halves: patterns may be mended on what is missed in the first; the second is held out.
Telephone numbers are of ranges kept for fiction where a country keeps one (Ofcom, ARCEP,
Bundesnetzagentur), mail addresses of RFC 2606; many streets are named as if after people.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

TOLD = tomllib.loads(Path(__file__).with_suffix(".toml").read_text(encoding="utf-8"))
MAIL_NAMES = ("jo.sandvoss", "n_quill+bins", "ximena77", "a-kerbrat", "ines")
MAIL_HOSTS = ("example.org", "mail.example.com", "example.net")
#: What stands in an ordinary template and has to stay besides the street.
STAYS = re.compile(
    r"WL-0447|20\d\d[-/]\d{7}|\d\d-05251065|104-2231|4471902|\d{2}[./]04[./]2025|10[:h]30|RAL 7016|"
    r"2x3 m|6 sq ft|6 m2|\d{6,7}(?= )|1[., ]250[.,]00|(?:Bus|Parada|Arrêt|Paragem) 123")
ADDRESSES = (("{s} ({x})", "{x}, {s}"), ("{s}, c/o {x}", "{s} - {x}"))
#: Notes of a template, by kind.
DRAWS = {"name": 8, "phone": 10, "mail": 6, "iban": 4, "national": 5, "plate": 5, "home": 5,
         "address": 8, "ordinary": 14}


@dataclass(frozen=True)
class Note:
    """A text, what in it is a person's, and what must be left."""

    text: str
    secret: str
    stays: tuple[str, ...]
    kind: str
    held_out: bool


def notes(seed: int = 20261129) -> list[Note]:
    """Return the notes, the same ones each time."""
    rng = np.random.default_rng(seed)
    return [_note(template, kind, told, bool(held_out), rng)
            for told in TOLD.values() for kind, draws in DRAWS.items()
            for held_out, templates in enumerate(told.get(kind, ADDRESSES))
            for template in templates for _ in range(draws)]


def is_left(note: Note, scrubbed: str) -> bool:
    """Whether what had to go can still be read."""
    secret, left = note.secret, scrubbed
    for stays in note.stays:
        left = left.replace(stays, " ", 1)
    if note.kind in ("plate", "home"):
        return secret in left
    if note.kind == "mail":
        return re.split(r"[@ (\[]|_at_", secret)[0] in left or "example" in left
    if note.kind in ("phone", "iban", "national"):
        digits = re.sub(r"\D", "", secret)
        return (digits[-6:] in re.sub(r"\D", "", left) if digits
                else secret.split()[-1] in left.split())
    words = set(re.findall(r"[^\W\d_]+(?:['’-][^\W\d_]+)*", left))
    return any(word in words for word in re.findall(r"[^\W\d_]+(?:['’-][^\W\d_]+)*", secret)
               if len(word) > 4 or "'" in word)


def _note(template: str, kind: str, told: dict[str, Any], held_out: bool,
          rng: np.random.Generator) -> Note:
    street = str(rng.choice(told["streets"]))
    secret = "" if kind == "ordinary" else _drawn(kind, told, rng)
    text = template.format(x=secret, s=street)
    stays = [street] * ("{s}" in template) + STAYS.findall(template)
    written = rng.random()
    if kind in ("name", "address", "ordinary") and written < 1 / 8:
        text, secret, stays = text.upper(), secret.upper(), [s.upper() for s in stays]
    elif kind == "name" and written > 13 / 14:
        text, secret, stays = text.lower(), secret.lower(), [s.lower() for s in stays]
    return Note(text, secret, tuple(stays), kind, held_out)


def _drawn(kind: str, told: dict[str, Any], rng: np.random.Generator) -> str:
    if kind in ("name", "address"):
        return str(rng.choice(told["people"]))
    if kind == "home":
        return str(rng.choice(told["streets"]))
    if kind == "phone":
        return _telephone(told, rng)
    if kind == "mail":
        return _mail(told["mail_signs"], rng)
    shape = _filled(str(rng.choice(told[f"{kind}_shapes"])), rng)
    if kind != "iban":
        return shape
    iban = _iban(told["iban_country"], shape)
    return iban if rng.random() < 0.4 else " ".join(iban[k:k + 4] for k in range(0, len(iban), 4))


def _filled(shape: str, rng: np.random.Generator) -> str:
    """Put a digit for each # and a letter for each question mark."""
    letters = "BCDFGHJKLMNPRSTVWXZ"
    return "".join(str(rng.integers(10)) if c == "#" else letters[rng.integers(len(letters))]
                   if c == "?" else c for c in shape)


def _iban(country: str, rest: str) -> str:
    """Return an account number with its two check digits (ISO 13616, mod 97)."""
    digits = "".join(str(int(c, 36)) for c in f"{rest}{country}00")
    return f"{country}{98 - int(digits) % 97:02d}{rest}"


def _telephone(told: dict[str, Any], rng: np.random.Generator) -> str:
    """Return a telephone number as people write it, spaced out or hidden."""
    *near, international = told["telephones"]
    if rng.random() < 0.25:
        return _filled(international, rng)
    number, words = _filled(str(rng.choice(near)), rng), told["digits"].split()
    digits = number.replace(" ", "")
    ways = [number, digits, number.replace(" ", "-"), number.replace(" ", "."), " ".join(digits),
            "-".join(digits), number.replace(" ", " / "), number.replace("0", "O"),
            " ".join(words[int(d)] for d in digits), number.replace(" ", "  "),
            "".join(chr(0xFF10 + int(d)) for d in digits), "\u200b".join(number)]
    return ways[rng.integers(len(ways))]


def _mail(signs: list[list[str]], rng: np.random.Generator) -> str:
    name, host = str(rng.choice(MAIL_NAMES)), str(rng.choice(MAIL_HOSTS))
    if rng.random() < 0.3:
        return f"{name}@{host}"
    sign, dot = signs[rng.integers(len(signs))]
    return f"{name}{sign}{host.replace('.', dot)}"
