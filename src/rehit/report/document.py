"""The report as plain data: sections of sentences, tables and pictures, before any page format.

The HTML pages and the PDF are all written from this, so that they say the same. All text in it is
plain text; escaping is the business of the page writers.
"""

from __future__ import annotations

from dataclasses import dataclass, field

#: Sections that a reader may do without; what is in short, what to do, what cannot be told and how
#: good the data are always stands.
SECTIONS = ("volume", "response", "places", "hotspots", "surfaces", "forecast", "methods", "cost",
            "programme", "evaluation")


@dataclass(frozen=True)
class Sentence:
    """Text with the ids of the figures it quotes; `tone` is plain, key, note or limit."""

    text: str
    traces: tuple[str, ...] = ()
    tone: str = "plain"


@dataclass(frozen=True)
class Bullets:
    """A list of sentences."""

    items: tuple[Sentence, ...]


@dataclass(frozen=True)
class Grid:
    """A table of finished texts; the first column names the row, `numeric` ones align right.

    `wordy` ones hold sentences: on a phone each row becomes a block instead of a line.
    """

    caption: str
    headers: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    note: str = ""
    anchors: tuple[str, ...] = ()
    wordy: bool = False


@dataclass(frozen=True)
class Picture:
    """A figure: its finding as title, source line, alternative text, a wide and a narrow drawing.

    `kind` is the media type ending: ``svg+xml`` or ``png``; `data` is what was drawn, as CSV;
    `traces` are the ids of the figures that the title quotes.
    """

    id: str
    title: str
    note: str
    alt: str
    wide: bytes
    narrow: bytes
    kind: str = "svg+xml"
    data: str = ""
    traces: tuple[str, ...] = ()


@dataclass(frozen=True)
class Tile:
    """One figure set large: what it is, its value, how it is to be read, its id."""

    label: str
    value: str
    reading: str
    trace: str = ""


@dataclass(frozen=True)
class Tiles:
    """The figures that a reader looks for first."""

    tiles: tuple[Tile, ...]


@dataclass(frozen=True)
class Terms:
    """Say explained."""

    entries: tuple[tuple[str, str], ...]


Block = Sentence | Bullets | Grid | Picture | Terms | Tiles


@dataclass
class Section:
    """One part of the report under a heading."""

    id: str
    title: str
    blocks: list[Block] = field(default_factory=list)

    def say(self, text: str, *traces: str, tone: str = "plain") -> None:
        """Append a sentence."""
        self.blocks.append(Sentence(text, traces, tone))

    def put(self, *blocks: Block) -> None:
        """Append blocks."""
        self.blocks.extend(blocks)


@dataclass(frozen=True)
class Document:
    """The whole report: title lines, the sections of the first page and those of the second."""

    language: str
    title: str
    subtitle: str
    front: tuple[Section, ...]
    details: tuple[Section, ...] = ()
