"""The typeface of printed sheets: taken from an installed package, so that every machine prints alike."""

from __future__ import annotations

import unicodedata
from functools import lru_cache
from pathlib import Path

from fontTools.ttLib import TTFont
from xstatic.pkg import roboto_fontface

from loopmend.errors import DataError

FAMILY = "Roboto"
_FILES = {"": "Roboto-Regular.ttf", "B": "Roboto-Bold.ttf"}
REPLACED = "A sign that this sheet's typeface lacks is written as its Unicode number, [U+...]."


@lru_cache(maxsize=1)
def font_paths() -> dict[str, Path]:
    """Find the font files by style, "" and "B".

    Raises
    ------
    DataError
        If the package that carries them is not complete.
    """
    folder = Path(roboto_fontface.BASE_DIR) / "fonts" / "roboto"
    missing = [name for name in _FILES.values() if not (folder / name).is_file()]
    if missing:
        remedy = "install the package xstatic-roboto-fontface again"
        raise DataError.about("", "print", "the typeface of sheets is missing", ", ".join(missing), remedy)
    return {style: folder / name for style, name in _FILES.items()}


@lru_cache(maxsize=1)
def _known() -> frozenset[int]:
    """Code points that every style has."""
    tables = []
    for path in font_paths().values():
        with TTFont(path, lazy=True) as font:
            tables.append(frozenset(font.getBestCmap()))
    return frozenset.intersection(*tables)


def printable(text: str) -> str:
    """Write text so that the typeface can print all of it: nothing is dropped without a trace.

    White space and control characters become spaces; a sign that the typeface lacks becomes its Unicode number.
    """
    known = _known()
    signs = unicodedata.normalize("NFC", text)
    return "".join(_printable_sign(sign, known) for sign in signs)


def _printable_sign(sign: str, known: frozenset[int]) -> str:
    kind = unicodedata.category(sign)
    if sign.isspace() or kind == "Cc":
        return " "
    if ord(sign) in known and kind[0] != "C":
        return sign
    return f"[U+{ord(sign):04X}]"


def is_replaced(text: str) -> bool:
    """Tell whether `printable` has to write a sign of the text as a number."""
    known = _known()
    signs = unicodedata.normalize("NFC", text)
    return any(len(_printable_sign(sign, known)) > 1 for sign in signs)
