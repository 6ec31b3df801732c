"""
Earlier results from a table: a CSV file of one row per number, for holding a record against what was measured elsewhere.

Columns: parameter, qualifier, temperature_degc, channel, supply_voltage_v, frequency_hz, value, unit, expanded_uncertainty
(k = 2, in the unit of its row). An empty condition means: not stated. An empty uncertainty means: not known.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from benchkit.errors import FileError, Mistake
from benchkit.files.yaml import read_bytes
from benchkit.results.result import PARAMETERS, Result, ResultCondition

__all__ = ["EARLIER_COLUMNS", "fit_to", "read_earlier"]

EARLIER_COLUMNS = ("parameter", "qualifier", "temperature_degc", "channel", "supply_voltage_v", "frequency_hz", "value", "unit",
                   "expanded_uncertainty")  # fmt: skip
LARGEST = 64_000_000  # bytes
NOT_MEASURED_HERE = "imported"


def read_earlier(path: Path) -> list[Result]:
    """
    Raises:
        FileError: Every mistake, with its line.
    """
    name = str(path)
    try:
        text = read_bytes(path, name, LARGEST).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileError([Mistake(name, None, "", f"is not UTF-8: {error}")]) from error
    reader = csv.reader(io.StringIO(text, newline=""))
    try:
        header = [cell.strip() for cell in next(reader, [])]
    except csv.Error as error:
        raise FileError([Mistake(name, 1, "", f"is not CSV: {error}")]) from error
    missing = [column for column in EARLIER_COLUMNS if column not in header]
    if missing:
        raise FileError([Mistake(name, 1, "", f"has no column {', '.join(missing)}; expected {', '.join(EARLIER_COLUMNS)}")])
    mistakes: list[Mistake] = []
    results: list[Result] = []
    seen: set[tuple[object, ...]] = set()
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                continue
            if len(cells) != len(header):
                mistakes.append(Mistake(name, reader.line_num, "", f"has {len(cells)} cells; the first line has {len(header)}"))
                continue
            row = {column: cell.strip() for column, cell in zip(header, cells, strict=True)}
            result = _result(row, name, reader.line_num, mistakes)
            if result is None:
                continue
            key = result.parameter, result.qualifier, result.condition
            if key in seen:
                mistakes.append(Mistake(name, reader.line_num, "", f"states {result.parameter} at this condition once more"))
            seen.add(key)
            results.append(result)
    except csv.Error as error:
        mistakes.append(Mistake(name, reader.line_num, "", f"is not CSV: {error}"))
    if not results and not mistakes:
        mistakes.append(Mistake(name, None, "", "has no rows"))
    if mistakes:
        raise FileError(mistakes)
    return results


def _result(row: dict[str, str], name: str, line: int, mistakes: list[Mistake]) -> Result | None:
    before = len(mistakes)

    def number(column: str, *, may_be_empty: bool = True) -> float | None:
        if not row[column]:
            if not may_be_empty:
                mistakes.append(Mistake(name, line, column, "is empty"))
            return None
        try:
            value = float(row[column])
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            mistakes.append(Mistake(name, line, column, f"{row[column]!r} is not a number in the unit the column names"))
            return None
        return value

    value, expanded = number("value", may_be_empty=False), number("expanded_uncertainty")
    condition = ResultCondition(
        number("temperature_degc"), row["channel"] or None, number("supply_voltage_v"), number("frequency_hz")
    )
    known = PARAMETERS.get(row["parameter"])
    if not row["parameter"]:
        mistakes.append(Mistake(name, line, "parameter", "is empty"))
    if known is not None and row["unit"] != known.unit:
        mistakes.append(Mistake(name, line, "unit", f"is {row['unit']!r}; {known.name} is in {known.unit}"))
    if expanded is not None and expanded < 0:
        mistakes.append(Mistake(name, line, "expanded_uncertainty", f"is {expanded:g}; it can't be below zero"))
    if len(mistakes) > before or value is None:
        return None
    return Result(
        parameter=row["parameter"],
        value=value,
        unit=row["unit"],
        plane="",
        condition=condition,
        qualifier=row["qualifier"],
        expanded_uncertainty=math.nan if expanded is None else expanded,
        uncertainty_reason="not stated in the table" if expanded is None else "",
        measurement=NOT_MEASURED_HERE,
    )


def fit_to(measured: Sequence[Result], earlier: Sequence[Result], name: str) -> list[Result]:
    """
    Each earlier number at the condition of the measured one that it speaks of, so that the two can be compared.

    A condition that the table does not state fits any, if just one measured result is left to choose.

    Raises:
        FileError: A row fits several measured results; says what would tell them apart.
    """
    mistakes = []
    fitted = []
    for result in earlier:
        fitting = [one for one in measured if _fits(result, one)]
        if len(fitting) > 1:
            apart = [
                key for key in ("temperature_degc", "channel", "supply_voltage_v", "frequency_hz")
                if len({getattr(one.condition, key) for one in fitting}) > 1
            ]  # fmt: skip
            shown = f"{result.parameter} {result.qualifier}".strip()
            message = f"value {result.value:g} fits {len(fitting)} results of the record; state {', '.join(apart)}"
            mistakes.append(Mistake(name, None, shown, message))
        elif fitting:
            one = fitting[0]
            fitted.append(replace(result, condition=one.condition, plane=one.plane, convention=one.convention, unit=one.unit))
        else:
            fitted.append(result)
    if mistakes:
        raise FileError(mistakes)
    return fitted


def _fits(earlier: Result, measured: Result) -> bool:
    if (earlier.parameter, earlier.qualifier, earlier.unit) != (measured.parameter, measured.qualifier, measured.unit):
        return False
    a, b = earlier.condition, measured.condition
    if a.channel is not None and a.channel != b.channel:
        return False
    pairs = ((a.temperature_degc, b.temperature_degc), (a.supply_voltage_v, b.supply_voltage_v), (a.frequency_hz, b.frequency_hz))
    return all(x is None or (y is not None and math.isclose(x, y, rel_tol=1e-9, abs_tol=1e-9)) for x, y in pairs)
