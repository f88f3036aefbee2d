"""Read two columns of numbers that a person or an instrument wrote, and say everything that is wrong with them."""

from __future__ import annotations

import csv
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from loopmend.errors import EvidenceError, Finding

Floats = npt.NDArray[np.float64]

MAX_ROWS = 2_000_000
"""More than this is refused: at 4 readings a second it is near six days."""

MAX_LISTED = 40
"""Findings of one file that are listed one by one; the rest is counted."""


@dataclass(slots=True)
class Columns:
    """Two columns of equal length, the line each row came from, what was repaired and what is wrong."""

    first: Floats
    second: Floats
    lines: npt.NDArray[np.int64]
    repairs: list[str] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


def refuse(layer: str, findings: Sequence[Finding]) -> None:
    """Raise every finding at once, the first `MAX_LISTED` in full and the rest counted.

    Raises
    ------
    EvidenceError
        If there is any finding.
    """
    if not findings:
        return
    listed = list(findings[:MAX_LISTED])
    if len(findings) > MAX_LISTED:
        listed.append(
            Finding(
                asset_id="",
                layer=layer,
                problem="more rows are wrong than are listed here",
                value=f"{len(findings) - MAX_LISTED} more",
                remedy="correct the ones above and try again",
            )
        )
    raise EvidenceError(listed)


def _decode(content: str | bytes, layer: str) -> str:
    if isinstance(content, str):
        return content.removeprefix("\ufeff")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise EvidenceError.about(
            "", layer, "the file is not UTF-8 text", f"byte {error.start}", "save it as CSV with UTF-8"
        ) from error


def _delimiter(header: str) -> str:
    return max((";", "\t", ","), key=lambda mark: (header.count(mark), mark == ","))


def _number(text: str, *, decimal_comma: bool) -> float | None:
    plain = text.strip()
    if decimal_comma:
        plain = plain.replace(",", ".")
    try:
        value = float(plain.replace("_", "x"))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _locate_columns(header: list[str], names: tuple[str, str], layer: str) -> tuple[int, int, bool]:
    """Find the two columns; True where the file has no header and its first row is data."""
    found = [cell.strip().lower() for cell in header]
    if all(name in found for name in names):
        return found.index(names[0]), found.index(names[1]), False
    if len(header) == 2 and all(_number(cell, decimal_comma=False) is not None for cell in header):
        return 0, 1, True
    missing = [name for name in names if name not in found]
    raise EvidenceError.about(
        "",
        layer,
        f"column {' and '.join(missing)} is missing",
        ", ".join(found) or "nothing",
        f"name the columns {names[0]},{names[1]} in the first line",
    )


def read_columns(content: str | bytes, names: tuple[str, str], layer: str) -> Columns:
    """Read two named columns of CSV text.

    Parameters
    ----------
    content
        Text of the file, or its bytes (UTF-8). Comma, semicolon or tab between cells; a decimal comma where
        cells are parted by something else. Lines that start with # are left out.
    names
        The two column names, lower case; other columns are ignored. Without a header, two columns of numbers
        are taken in this order, and that is said.
    layer
        What to call the file in messages.

    Returns
    -------
    Columns
        Rows with both numbers. A row with an empty cell is a gap: left out and said. A row with text where a
        number belongs is in its `findings`, for the caller to refuse together with his own.

    Raises
    ------
    EvidenceError
        If there is nothing to look at: an empty file, a column missing, no row of numbers, too many rows.
    """
    numbered = [
        (at, line)
        for at, line in enumerate(_decode(content, layer).splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not numbered:
        raise EvidenceError.about("", layer, "the file is empty", "no rows", "choose the file with the readings")
    if len(numbered) > MAX_ROWS:
        raise EvidenceError.about(
            "", layer, "too many rows", len(numbered), f"cut the file to the test itself, {MAX_ROWS} rows at most"
        )
    mark = _delimiter(numbered[0][1])
    header = next(csv.reader([numbered[0][1]], delimiter=mark))
    first_at, second_at, headless = _locate_columns(header, names, layer)
    columns = _gather(numbered[0 if headless else 1 :], mark, (first_at, second_at), names, layer)
    if headless:
        columns.repairs.append(f"no header: the columns were taken as {names[0]}, {names[1]}")
    return columns


def _gather(body: list[tuple[int, str]], mark: str, at: tuple[int, int], names: tuple[str, str], layer: str) -> Columns:
    values: list[tuple[float, float, int]] = []
    findings: list[Finding] = []
    gaps: list[int] = []
    for line, text in body:
        cells = next(csv.reader([text], delimiter=mark))
        pair = [cells[column].strip() if column < len(cells) else "" for column in at]
        if not all(pair):
            gaps.append(line)
            continue
        first, second = (_number(cell, decimal_comma=mark != ",") for cell in pair)
        if first is not None and second is not None:
            values.append((first, second, line))
            continue
        wrong = [(name, cell) for name, cell, found in zip(names, pair, (first, second), strict=True) if found is None]
        findings.extend(_not_a_number(line, name, cell, layer) for name, cell in wrong)
    if not values:
        refuse(layer, findings)
        raise EvidenceError.about("", layer, "no row has both numbers", "no rows", "enter the readings")
    table = np.array(values, dtype=np.float64)
    columns = Columns(table[:, 0], table[:, 1], table[:, 2].astype(np.int64), findings=findings)
    if gaps:
        columns.repairs.append(f"{len(gaps)} row(s) without a value taken as gaps, first at line {gaps[0]}")
    return columns


def _not_a_number(line: int, name: str, cell: str, layer: str) -> Finding:
    return Finding(
        asset_id=f"line {line}",
        layer=layer,
        problem=f"{name} is not a number",
        value=repr(cell),
        remedy="type the number, or leave the cell empty where nothing was read",
    )
