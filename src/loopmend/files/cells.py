"""Read the cells of a column: ids, numbers, codes, phases and years, whatever type the file gave them.

Nothing here refuses: each reader returns the values and which rows could not be read, so that every fault of a layer
is found in one pass. Text columns go through their distinct values, of which there are few.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
import pandas as pd

from loopmend.network.assets import PHASE_BITS, Bools, Floats, Ints, Texts

Value = TypeVar("Value")

EXACT_INTEGER = 2.0**53
"""From here on a double no longer holds every whole number, so an id stored as one may have changed."""

EARLIEST_YEAR, LATEST_YEAR = 1880, 2100
"""No underground power cable is older; a later year is a slip of the pen."""

_YEAR = re.compile(r"(\d{4})(?:\.0+)?")


@dataclass(frozen=True, slots=True, eq=False)
class Numbers:
    """A column of numbers.

    Attributes
    ----------
    found
        NaN where the cell is blank or cannot be read, shape (n,).
    unreadable
        Where the cell holds something that is not a finite number, shape (n,).
    cells
        The cells as the file gave them, to quote.
    """

    found: Floats
    unreadable: Bools
    cells: Any


def _text(value: Any) -> str:
    if value is None or value is pd.NaT or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < EXACT_INTEGER:
        return str(int(value))
    return "" if value is pd.NA else str(value).strip()


def texts_from(column: pd.Series[Any]) -> Texts:
    """Read a column as text without blanks around it; a whole number loses its ``.0``, a blank cell is "".

    An id that a spreadsheet turned into 1.0 is "1" again. Text stays as it is: "007" and "1.0" are kept.
    """
    if column.isna().all():
        return np.full(len(column), "", dtype=object)
    codes, distinct = pd.factorize(column)
    texts = np.array([*map(_text, distinct), ""], dtype=object)
    return texts[codes]  # the code of a blank is -1, the last


def _number(text: str) -> float:
    try:
        return float(text) if "_" not in text else np.nan
    except ValueError:
        return np.nan


def by_distinct(texts: Texts, read: Callable[[str], Value]) -> tuple[Ints, list[Value]]:
    """Read each distinct text once: the number of its reading for each row, and the readings."""
    codes, distinct = pd.factorize(texts)  # a blank is "", which is a value like any other
    return codes.astype(np.int64), [read(str(text)) for text in distinct]


def numbers_from(column: pd.Series[Any]) -> Numbers:
    """Read a column as numbers; text that is one is taken as one, "nan" and "inf" are not numbers."""
    if pd.api.types.is_numeric_dtype(column.dtype):
        values = column.to_numpy(dtype=float, na_value=np.nan)
        unreadable = np.isinf(values)
        return Numbers(np.where(unreadable, np.nan, values), unreadable, values)
    texts = texts_from(column)
    rows, read = by_distinct(texts, _number)
    values = np.array(read, dtype=float)[rows]
    unreadable = (texts != "") & ~np.isfinite(values)
    return Numbers(np.where(unreadable, np.nan, values), np.asarray(unreadable, dtype=bool), texts)


def codes_from(texts: Texts, meaning: Mapping[str, Value], blank: Value | None) -> tuple[Texts, Bools]:
    """Look up code values, in any case.

    Returns
    -------
    tuple of Texts, Bools
        What each row means (None where unknown), and where the code is unknown. A blank cell means `blank`; it is
        unknown if that is None.
    """
    known: dict[str, Value | None] = {**meaning, "": blank}
    rows, read = by_distinct(texts, lambda text: known.get(text.lower()))
    distinct = np.empty(len(read), dtype=object)
    distinct[:] = read
    unknown = np.array([value is None for value in read], dtype=bool)
    return (distinct[rows], unknown[rows]) if len(read) else (distinct, unknown)


def _phase_bits(text: str) -> int:
    letters = text.upper()
    known = len(set(letters)) == len(letters) and set(letters) <= set(PHASE_BITS)
    return sum(PHASE_BITS[letter] for letter in letters) if known else -1


def phases_from(texts: Texts) -> Ints:
    """Read phase letters in any order and case as bits: 0 where blank, -1 where unknown, shape (n,)."""
    rows, bits = by_distinct(texts, _phase_bits)
    return np.array(bits, dtype=np.int64)[rows] if bits else np.zeros(0, dtype=np.int64)


def _year(text: str) -> tuple[str, float, bool]:
    if not text:
        return "", np.nan, False
    whole = _YEAR.fullmatch(text)
    if whole:
        return whole[1], float(whole[1]), False
    try:
        day = dt.datetime.fromisoformat(text.replace("/", "-")).date()
    except ValueError:
        return text, np.nan, True
    return day.isoformat(), float(day.year), False


def years_from(column: pd.Series[Any]) -> tuple[Texts, Floats, Bools]:
    """Read years or ISO dates.

    Returns
    -------
    tuple of Texts, Floats, Bools
        The cell as ``YYYY`` or ``YYYY-MM-DD`` ("" where blank), its year (NaN where blank, unreadable or beyond
        `EARLIEST_YEAR` to `LATEST_YEAR`), and where it is neither blank nor such a year.
    """
    rows, read = by_distinct(texts_from(column), _year)
    if not read:
        return np.zeros(0, dtype=object), np.zeros(0), np.zeros(0, dtype=bool)
    texts = np.array([text for text, _, _ in read], dtype=object)
    years = np.array([year for _, year, _ in read])
    outside = (years < EARLIEST_YEAR) | (years > LATEST_YEAR)
    bad = np.array([unreadable for _, _, unreadable in read]) | outside
    return texts[rows], np.where(outside, np.nan, years)[rows], bad[rows]
