"""Bytes to text: the encoding found out, and said when it was not plain UTF-8."""

from __future__ import annotations

import codecs
import re

from rehit.errors import InputFileError

_SAMPLE = 200_000
# Control characters that no log holds; more than a few mean that the bytes are no text.
_CONTROL = re.compile("[\x01-\x08\x0e-\x1a\x1c-\x1f]")
_CONTROL_SHARE = 0.02


def decode(data: bytes, *, where: str) -> tuple[str, tuple[str, ...]]:
    """Return the text of a file and notes about its encoding.

    A byte order mark decides; without one, bytes that are valid UTF-8 are UTF-8, a pattern of
    NUL bytes means UTF-16, and anything else is Windows-1252, the usual one of older office
    software.

    Raises
    ------
    InputFileError
        If the bytes are no text at all.

    Examples
    --------
    >>> decode("Straße".encode("cp1252"), where="log.csv")
    ('Straße', ('read as Windows-1252',))
    """
    text, encoding = _decoded(data, where)
    notes: tuple[str, ...] = () if encoding == "UTF-8" else (f"read as {encoding}",)
    sample = text[:_SAMPLE]
    if len(_CONTROL.findall(sample)) > _CONTROL_SHARE * len(sample):
        raise _no_text(where)
    if "\x00" in text:
        notes += (f"{text.count(chr(0))} NUL characters taken out",)
        text = text.replace("\x00", "")
    return text.removeprefix("\ufeff"), notes


def _decoded(data: bytes, where: str) -> tuple[str, str]:
    if data.startswith(codecs.BOM_UTF8):
        return data.decode("utf-8-sig", errors="replace"), "UTF-8"
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return data.decode("utf-16", errors="replace"), "UTF-16"
    sample = data[:_SAMPLE]
    even, odd = sample[0::2].count(0), sample[1::2].count(0)
    if even + odd > len(sample) // 4 and len(sample) > 1:
        if max(even, odd) < 3 * min(even, odd):
            raise _no_text(where)
        name = "utf-16-le" if odd > even else "utf-16-be"
        return data.decode(name, errors="replace"), "UTF-16 without a byte order mark"
    try:
        return data.decode("utf-8"), "UTF-8"
    except UnicodeDecodeError:
        # The five bytes that Windows-1252 leaves undefined come through as they are (WHATWG).
        return data.decode("cp1252", errors="surrogateescape").translate(_UNDEFINED), "Windows-1252"


_UNDEFINED = {0xDC00 + byte: chr(byte) for byte in range(0x80, 0x100)}


def _no_text(where: str) -> InputFileError:
    return InputFileError(where, got="bytes that are no text", allowed="a log in a known format",
                          remedy="open it where it came from and export it as CSV or XLSX")
