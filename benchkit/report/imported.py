"""
Simulated or earlier data from a file, as curves. Three forms, told apart by the name and the first line:

- Touchstone (.s2p, .ts): S-parameters at the device's planes, two ports, 50 ohm;
- CSV curves: a column `frequency_hz`, then one for each curve, `NAME [UNIT]` or `NAME, QUALIFIER [UNIT]`: `p1db [dBm]`,
  `pae_back_off, 6 dB back-off [%]`, `s21 [dB]`, `s21_phase [deg]`; lines before it that begin with # are remarks;
- CSV results, one number per row, as benchkit.campaign.earlier reads them; each row states its own conditions.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchkit.campaign.earlier import EARLIER_COLUMNS, read_earlier
from benchkit.errors import FileError, Mistake
from benchkit.files.yaml import read_bytes
from benchkit.report.curves import S_CURVES, Curve
from benchkit.report.imported_order import order_mistakes
from benchkit.report.imported_touchstone import read_touchstone
from benchkit.report.options import DEFAULT_DEGC, Against
from benchkit.results.result import Parameter, Result, ResultCondition, supply_text

__all__ = ["Imported", "read_imported"]

LARGEST = 64_000_000  # bytes
TOUCHSTONE = re.compile(r"\.(s\d+p|ts)", re.IGNORECASE)
_HEADING = re.compile(r"(?P<name>[a-z0-9_]+)\s*(?:,\s*(?P<qualifier>[^\[]*?)\s*)?\[(?P<unit>[^\]]+)\]")


@dataclass(frozen=True)
class Imported:
    """
    Attributes:
        name: Of the file, as legends show it.
        curves: Their conditions say what they belong to; None: any. [Hz]
        where: The same in words.
        takes_unset: Whether a stated temperature also fits traces whose temperature was not set: the default 25 degC does.
    """

    name: str
    path: str
    sha256: str
    where: str
    curves: tuple[Curve, ...]
    takes_unset: bool


def read_imported(against: Against, parameters: Mapping[str, Parameter]) -> Imported:
    """
    Args:
        parameters: Those that a CSV file's columns may name.

    Raises:
        FileError: Each mistake with its line, and what would be right.
    """
    path, name = against.path, str(against.path)
    content = read_bytes(path, name, LARGEST)
    rows_state = False
    condition = ResultCondition(
        DEFAULT_DEGC if against.temperature_degc is None else against.temperature_degc, against.channel, against.supply_v
    )
    if TOUCHSTONE.fullmatch(path.suffix):
        curves = read_touchstone(path, condition)
    elif path.suffix.lower() != ".csv":
        raise FileError([Mistake(name, None, "", "is neither Touchstone (.s2p, .ts) nor .csv: rename it, or export it as one")])
    else:
        header, _, _ = _opened(content, name)
        rows_state = "parameter" in header
        if rows_state and against.is_stated:
            message = "states its conditions row by row; leave out what stands after the @"
            raise FileError([Mistake(name, None, "--against", message)])
        curves = _of_results(read_earlier(path)) if rows_state else _of_columns(content, name, condition, parameters)
    return Imported(
        path.name, name, hashlib.sha256(content).hexdigest(),
        "as its rows state" if rows_state else _where(against), tuple(curves), against.temperature_degc is None,
    )  # fmt: skip


def _where(against: Against) -> str:
    if against.temperature_degc is None:
        temperature = f"{DEFAULT_DEGC:+g} °C (not stated: the default), and traces whose temperature was not set"
    else:
        temperature = f"{against.temperature_degc:+g} °C"
    channel = "all channels" if against.channel is None else f"channel {against.channel}"
    supply = "all supply voltages" if against.supply_v is None else supply_text(against.supply_v)
    return f"{temperature}; {channel}; {supply}"


def _text(content: bytes, name: str) -> str:
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileError([Mistake(name, None, "", f"is not UTF-8: {error}")]) from error


def _opened(content: bytes, name: str) -> tuple[list[str], int, Any]:
    """Names of the columns, their line, and a reader of what follows; lines that begin with # before the names are remarks."""
    lines = _text(content, name).splitlines(keepends=True)
    remarks = next((place for place, line in enumerate(lines) if not line.startswith("#")), len(lines))
    reader = csv.reader(io.StringIO("".join(lines[remarks:]), newline=""))
    try:
        return [cell.strip() for cell in next(reader, [])], remarks + 1, reader
    except csv.Error as error:
        raise FileError([Mistake(name, remarks + 1, "", f"is not CSV: {error}")]) from error


def _of_results(results: Sequence[Result]) -> list[Curve]:
    groups: dict[tuple[object, ...], list[Result]] = {}
    for result in results:
        at = result.condition
        key = (result.parameter, result.qualifier, result.unit, at.temperature_degc, at.channel, at.supply_voltage_v,
               at.frequency_hz is None)  # fmt: skip
        groups.setdefault(key, []).append(result)
    found = []
    for members in groups.values():
        first, at = members[0], members[0].condition
        hz = np.array([math.nan if one.condition.frequency_hz is None else one.condition.frequency_hz for one in members])
        order = np.argsort(hz, kind="stable")
        values, expanded = (
            np.array([getattr(one, name) for one in members])[order] for name in ("value", "expanded_uncertainty")
        )
        condition = ResultCondition(at.temperature_degc, at.channel, at.supply_voltage_v)
        found.append(Curve(first.parameter, first.qualifier, first.unit, "", "", condition, hz[order], values, expanded))
    return found


def _of_columns(
    content: bytes, name: str, condition: ResultCondition, parameters: Mapping[str, Parameter]
) -> list[Curve]:
    header, first, reader = _opened(content, name)
    if "frequency_hz" not in header:
        message = f"has no column frequency_hz; expected frequency_hz and curves as 'p1db [dBm]', or {', '.join(EARLIER_COLUMNS)}"
        raise FileError([Mistake(name, first, "", message)])
    mistakes: list[Mistake] = []
    known = {**{key: one.unit for key, one in parameters.items()}, **{key: unit for key, (_, unit) in S_CURVES.items()}}
    headings = {column: _heading(column, known, name, first, mistakes) for column in header if column != "frequency_hz"}
    if not headings or len(set(header)) < len(header):
        mistakes.append(Mistake(name, first, "", "has no curve beside frequency_hz" if not headings else "names a column twice"))
    columns: dict[str, list[float]] = {column: [] for column in header}
    for cells in _cells(reader, name, first, mistakes):
        if not any(cell.strip() for cell in cells):
            continue
        if len(cells) != len(header):
            line = first - 1 + reader.line_num
            mistakes.append(Mistake(name, line, "", f"has {len(cells)} cells; the line of names has {len(header)}"))
            continue
        for column, cell in zip(header, cells, strict=True):
            columns[column].append(_number(cell, column, name, first - 1 + reader.line_num, mistakes))
    hz = np.array(columns["frequency_hz"])
    if not mistakes:
        mistakes += order_mistakes(hz, name)
    if mistakes:
        raise FileError(mistakes)
    unknown = np.full(len(hz), np.nan)
    return [
        Curve(found[0], found[1], found[2], "", "", condition, hz, np.array(columns[column]), unknown)
        for column, found in headings.items() if found is not None
    ]  # fmt: skip


def _cells(reader: Any, name: str, first: int, mistakes: list[Mistake]) -> Iterator[list[str]]:
    """Line after line, until one that is no CSV."""
    try:
        yield from reader
    except csv.Error as error:
        mistakes.append(Mistake(name, first - 1 + reader.line_num, "", f"is not CSV: {error}"))


def _heading(column: str, known: Mapping[str, str], name: str, line: int, mistakes: list[Mistake]) -> tuple[str, str, str] | None:
    found = _HEADING.fullmatch(column)
    if found is None:
        mistakes.append(Mistake(name, line, column, "names no unit; expected NAME [UNIT] or NAME, QUALIFIER [UNIT]: p1db [dBm]"))
        return None
    if found["name"] not in known:
        message = f"{found['name']} is no parameter of these records: {', '.join(sorted(known))}"
        mistakes.append(Mistake(name, line, column, message))
    elif found["unit"] != known[found["name"]]:
        mistakes.append(Mistake(name, line, column, f"is in {found['unit']}; {found['name']} is in {known[found['name']]}"))
    return found["name"], found["qualifier"] or "", found["unit"]


def _number(cell: str, column: str, name: str, line: int, mistakes: list[Mistake]) -> float:
    try:
        value = float(cell)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        mistakes.append(Mistake(name, line, column, f"{cell.strip()!r} is not a number"))
    return value
