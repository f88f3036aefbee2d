"""Reading cells: whatever type a file gave them, the same values come out, and what cannot be read is said."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from loopmend.files.cells import codes_from, numbers_from, phases_from, texts_from, years_from
from loopmend.network.assets import phase_letters


@pytest.mark.parametrize(
    ("cells", "texts"),
    [
        (pd.Series([1, 20]), ["1", "20"]),
        (pd.Series([1.0, np.nan, 2.5]), ["1", "", "2.5"]),
        (pd.Series([1, None], dtype="Int64"), ["1", ""]),
        (pd.Series(["007", " 1.0 ", "", None], dtype=object), ["007", "1.0", "", ""]),
        (pd.Series(["007", None], dtype="string"), ["007", ""]),
        (pd.Series(["a", 1.0, 2, None, np.nan], dtype=object), ["a", "1", "2", "", ""]),
        (pd.Series(["b", "a", "b"], dtype="category"), ["b", "a", "b"]),
        (pd.Series([], dtype=float), []),
        (pd.Series([np.nan, np.nan]), ["", ""]),
        (pd.Series([2.0**53]), ["9007199254740992.0"]),  # no longer to be trusted as a whole number
        (pd.Series([2.0**53 - 1]), ["9007199254740991"]),
    ],
)
def test_texts(cells: pd.Series[Any], texts: list[str]) -> None:
    assert texts_from(cells).tolist() == texts


@given(st.lists(st.integers(-(2**53) + 1, 2**53 - 1)))
@settings(deadline=None)
def test_whole_numbers_give_the_same_id_as_integer_float_and_text(numbers: list[int]) -> None:
    expected = [str(number) for number in numbers]
    for kind in ("int64", "float64", "Int64"):
        assert texts_from(pd.Series(numbers, dtype=kind)).tolist() == expected
    assert texts_from(pd.Series(expected, dtype=object)).tolist() == expected


@pytest.mark.parametrize(
    ("cells", "values", "unreadable"),
    [
        (pd.Series([1, 2]), [1.0, 2.0], [False, False]),
        (pd.Series([1.5, np.nan, np.inf]), [1.5, np.nan, np.nan], [False, False, True]),
        (pd.Series([3, None], dtype="Int64"), [3.0, np.nan], [False, False]),
        (pd.Series(["1.5", " 2 ", "", None], dtype=object), [1.5, 2.0, np.nan, np.nan], [False] * 4),
        (pd.Series(["nan", "inf", "-inf", "1,5", "1_5", "ten"], dtype=object), [np.nan] * 6, [True] * 6),
        (pd.Series(["1e3", "-4"], dtype=object), [1000.0, -4.0], [False, False]),
        (pd.Series([np.nan, np.nan]), [np.nan, np.nan], [False, False]),
        (pd.Series(pd.to_datetime(["2001-01-01"])), [np.nan], [True]),
    ],
)
def test_numbers(cells: pd.Series[Any], values: list[float], unreadable: list[bool]) -> None:
    found = numbers_from(cells)
    np.testing.assert_array_equal(found.found, values)
    assert found.unreadable.tolist() == unreadable


@given(st.lists(st.none() | st.floats(allow_nan=False, allow_infinity=False, width=32)))
@settings(deadline=None)
def test_numbers_are_the_same_from_text(numbers: list[float | None]) -> None:
    texts = ["" if number is None else repr(number) for number in numbers]
    found = numbers_from(pd.Series(texts, dtype=object))
    np.testing.assert_array_equal(found.found, np.array(numbers, dtype=float))
    assert not found.unreadable.any()


def test_codes_in_any_case_with_a_meaning_for_blank() -> None:
    cells = np.array(["Open", "CLOSED", "", "ajar"], dtype=object)
    meaning, unknown = codes_from(cells, {"open": 0, "closed": 1}, 1)
    assert meaning.tolist() == [0, 1, 1, None]
    assert unknown.tolist() == [False, False, False, True]
    assert codes_from(cells, {"open": 0, "closed": 1}, None)[1].tolist() == [False, False, True, True]
    assert codes_from(cells[:0], {"open": 0}, None)[0].tolist() == []


@given(st.integers(0, 7), st.randoms(use_true_random=False), st.booleans())
@settings(deadline=None)
def test_phases_in_any_order_and_case(bits: int, random: Any, small: bool) -> None:
    letters = list(phase_letters(bits))
    random.shuffle(letters)
    text = "".join(letters).lower() if small else "".join(letters)
    assert phases_from(np.array([text, "X" + text], dtype=object)).tolist() == [bits, -1]


@pytest.mark.parametrize("text", ["AA", "ABCD", "1", "A B", "A,B", "N"])
def test_phases_that_are_none(text: str) -> None:
    assert phases_from(np.array([text], dtype=object)).tolist() == [-1]


@pytest.mark.parametrize(
    ("cell", "text", "year"),
    [
        (1987, "1987", 1987.0),
        (1987.0, "1987", 1987.0),
        ("1987", "1987", 1987.0),
        ("1987.0", "1987", 1987.0),
        ("1987-05-30", "1987-05-30", 1987.0),
        ("1987/05/30", "1987-05-30", 1987.0),
        (19870530, "1987-05-30", 1987.0),  # ISO 8601, basic form
        ("1987-05-30T00:00:00", "1987-05-30", 1987.0),
        (dt.date(1987, 5, 30), "1987-05-30", 1987.0),
        (pd.Timestamp("1987-05-30"), "1987-05-30", 1987.0),
        (None, "", np.nan),
        ("", "", np.nan),
    ],
)
def test_years(cell: Any, text: str, year: float) -> None:
    texts, years, bad = years_from(pd.Series([cell, None], dtype=object))
    assert texts.tolist() == [text, ""]
    np.testing.assert_array_equal(years, [year, np.nan])
    assert not bad.any()


@pytest.mark.parametrize("cell", ["87", "1787", "2187", "1987-13-01", "1987-02-30", "spring 1987", "1987-05-301", 0])
def test_years_that_are_none(cell: Any) -> None:
    _, years, bad = years_from(pd.Series([cell]))
    assert bad.tolist() == [True]
    assert np.isnan(years).all()


def test_a_column_of_dates_and_an_empty_one() -> None:
    texts, years, bad = years_from(pd.Series(pd.to_datetime(["1987-05-30", None])))
    assert (texts.tolist(), bad.tolist()) == (["1987-05-30", ""], [False, False])
    assert years[0] == 1987.0
    assert [len(part) for part in years_from(pd.Series([], dtype=object))] == [0, 0, 0]
