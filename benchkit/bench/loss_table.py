"""
A path's loss from CSV: the columns `frequency_hz`, `loss_db` and, if there, `uncertainty_db` (expanded, k = 2).

Lines that begin with # and empty lines are skipped: they say where the numbers are from.
"""

from __future__ import annotations

import csv
import math
import re
from dataclasses import dataclass

from benchkit.errors import FileError, Mistake
from benchkit.files.wording import nearest

__all__ = ["LossRows", "read_loss_table"]

_COLUMNS = ("frequency_hz", "loss_db", "uncertainty_db")
_MOST_MISTAKES = 20
_NUMBER = re.compile(r"[+-]?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,3})?")


@dataclass(frozen=True)
class LossRows:
    """Rows of a table; `uncertainties_db` is None when the table does not say."""

    frequencies_hz: tuple[float, ...]
    losses_db: tuple[float, ...]
    uncertainties_db: tuple[float, ...] | None


def read_loss_table(content: bytes, name: str) -> LossRows:
    """
    Parse a CSV table; a byte order mark and either line ending are fine.

    Raises:
        FileError: Every mistake (the first 20), each with its line.
    """
    mistakes: list[Mistake] = []
    try:
        lines = _lines(content, name)
        numbered = [(n, line) for n, line in enumerate(lines, 1) if line.strip() and not line.lstrip().startswith("#")]
        if not numbered:
            raise FileError([Mistake(name, 1, "", f"is empty; expected a table with the header {','.join(_COLUMNS)}")])
        columns = _header(*numbered[0], name)
        rows = _rows(numbered[1:], columns, name, mistakes)
    except csv.Error as error:
        raise FileError([Mistake(name, None, "", f"is not a CSV table: {error}")]) from error
    if not mistakes and len(rows) < 2:
        mistakes.append(
            Mistake(name, None, "", f"{len(rows)} rows; a table needs two at least (a single loss goes in the bench file)")
        )
    if mistakes:
        raise FileError(mistakes)
    series = {column: tuple(row[i] for row in rows) for i, column in enumerate(columns)}
    return LossRows(series["frequency_hz"], series["loss_db"], series.get("uncertainty_db"))


def _lines(content: bytes, name: str) -> list[str]:
    try:
        return content.decode("utf-8-sig").splitlines()
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise FileError([Mistake(name, line, "", f"byte {error.start} is not UTF-8; save the table as UTF-8 text")]) from error


def _header(number: int, line: str, name: str) -> list[str]:
    columns = [cell.strip() for cell in next(csv.reader([line]), [])]
    mistakes: list[Mistake] = []
    if len(columns) == 1 and (";" in line or "\t" in line):
        message = "columns are separated by commas here, not by semicolons or tabs"
        raise FileError([Mistake(name, number, "", message)])
    for column in dict.fromkeys(columns):
        if columns.count(column) > 1:
            mistakes.append(Mistake(name, number, column[:40], "the column is there twice"))
        if column not in _COLUMNS:
            guess = nearest(column, _COLUMNS)
            hint = f"; did you mean {guess}? Its unit is the one in the name" if guess else ""
            mistakes.append(Mistake(name, number, column[:40], f"unknown column{hint}; expected {', '.join(_COLUMNS)}"))
    for column in _COLUMNS[:2]:
        if column not in columns:
            mistakes.append(Mistake(name, number, column, "the column is missing"))
    if mistakes:
        raise FileError(mistakes)
    return columns


def _rows(numbered: list[tuple[int, str]], columns: list[str], name: str, mistakes: list[Mistake]) -> list[list[float]]:
    rows: list[list[float]] = []
    place = columns.index("frequency_hz")
    last = -math.inf
    for number, line in numbered:
        if len(mistakes) >= _MOST_MISTAKES:
            mistakes.append(Mistake(name, number, "", "and more; the rest was not read"))
            break
        cells = next(csv.reader([line]), [])
        if len(cells) != len(columns):
            mistakes.append(Mistake(name, number, "", f"{len(cells)} values under {len(columns)} columns"))
            continue
        row = [_number(cell, column, number, name, mistakes) for cell, column in zip(cells, columns, strict=True)]
        frequency = row[place]
        if frequency <= last:
            message = f"{frequency:.12g} Hz does not ascend after {last:.12g} Hz; each frequency once, lowest first"
            mistakes.append(Mistake(name, number, "frequency_hz", message))
        if not math.isnan(frequency):
            last = frequency
        rows.append(row)
    return rows


def _number(cell: str, column: str, line: int, name: str, mistakes: list[Mistake]) -> float:
    text = cell.strip()
    reason = ""
    value = math.nan
    if not _NUMBER.fullmatch(text):
        shown = text if len(text) <= 30 else text[:27] + "..."
        reason = f"{shown!r} is not a plain number" if text else "is empty"
    else:
        value = float(text)
        if not math.isfinite(value):
            reason = f"{text} is not finite"
        elif column == "frequency_hz" and value <= 0:
            reason = f"{text} Hz is not above zero"
        elif column == "uncertainty_db" and value < 0:
            reason = f"{text} dB is below zero; an uncertainty is not"
    if not reason:
        return value
    mistakes.append(Mistake(name, line, column, reason))
    return math.nan
