"""Results, their budgets and verdicts as tables, and back."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from benchkit.errors import FormatError, MisuseError
from benchkit.measurements.base import Column
from benchkit.record.rows import text_bytes
from benchkit.results.result import Result, ResultCondition
from benchkit.results.uncertainty import Contribution
from benchkit.results.verdict import Verdict

__all__ = ["budgets_table", "results_from", "results_table", "verdicts_from", "verdicts_table"]

Table = tuple[list[Column], list[NDArray[Any]]]


_RESULTS = (
    ("parameter", "S", "name of the parameter"),
    ("qualifier", "S", "what tells it from others of its name"),
    ("value", "f8", "in the unit of its row; NaN when absent, and then reason says why"),
    ("unit", "S", "unit of value and expanded_uncertainty"),
    ("plane", "S", "where it is true"),
    ("temperature_degc", "f8", "condition: temperature; NaN: not tied to it"),
    ("channel", "S", "condition: channel of the device; empty: not tied to it"),
    ("supply_voltage_v", "f8", "condition: drain supply; NaN: not tied to it"),
    ("frequency_hz", "f8", "condition: carrier frequency; NaN: not tied to it"),
    ("expanded_uncertainty", "f8", "k = 2, in the unit of its row; NaN when not known, see uncertainty_reason"),
    ("reason", "S", "why the value is absent"),
    ("uncertainty_reason", "S", "why the uncertainty is not known"),
    ("convention", "S", "how the number is defined"),
    ("found", "S", "how this one came about: where in the band, from how many points, what a check of it said"),
    ("measurement", "S", "title of the measurement"),
    ("note", "S", "what casts doubt on the number: the bench had drifted, repeats lie apart"),
)
_VERDICTS = (
    ("expectation", "i8", "position in the sequence's expectations, from 0; -1: none"),
    ("result", "i8", "row of results that was judged; -1: none"),
    ("minimum", "f8", "limit, in the unit of the result; NaN: none"),
    ("maximum", "f8", "limit, in the unit of the result; NaN: none"),
    ("outcome", "S", "pass, conditional pass, conditional fail, fail or not judged"),
    ("reason", "S", "why"),
    ("rule", "S", "decision rule"),
    ("margin", "f8", "to the nearer limit, in the unit of the result; negative outside"),
    ("guard_band", "f8", "width of the guard band, in the unit of the result"),
    ("probability", "f8", "that the true value lies within the limits"),
)
_BUDGETS = (
    ("result", "i8", "row of results"),
    ("name", "S", "what contributes"),
    ("standard_uncertainty", "f8", "of what contributes, in its own unit"),
    ("sensitivity", "f8", "change of the result per change of what contributes"),
    ("amount", "f8", "of sensitivity times standard uncertainty, without sign; in the unit of the result"),
    ("degrees_of_freedom", "f8", "infinite unless from a few readings"),
    ("distribution", "S", "normal, rectangular, triangular or u-shaped"),
)
_UNITS = {"temperature_degc": "degC", "supply_voltage_v": "V", "frequency_hz": "Hz", "probability": "1",
          "expectation": "1", "result": "1", "degrees_of_freedom": "1"}  # fmt: skip
# What records from before there was such a column do not have.
_LATER = ("found", "note")
_CONDITION = ("temperature_degc", "channel", "supply_voltage_v", "frequency_hz")


def results_table(results: Sequence[Result]) -> Table:
    rows = []
    for result in results:
        row = {**vars(result), **vars(result.condition)}
        row["channel"] = row["channel"] or ""
        rows.append({name: math.nan if value is None else value for name, value in row.items()})
    return _table(_RESULTS, rows)


def budgets_table(results: Sequence[Result]) -> Table:
    rows = [
        {"result": index, **vars(line), "amount": line.amount} for index, result in enumerate(results) for line in result.budget
    ]
    return _table(_BUDGETS, rows)


def results_from(rows: Sequence[Mapping[str, Any]], budgets: Sequence[Mapping[str, Any]] = ()) -> list[Result]:
    """
    Args:
        rows: Of results_table().
        budgets: Of budgets_table(); none in a record from before there were budgets.

    Raises:
        FormatError: A budget's line belongs to no result.
    """
    lines: dict[int, list[Contribution]] = {}
    for line in budgets:
        if not 0 <= line["result"] < len(rows):
            raise FormatError(f"budgets/result: {line['result']} is no row of the {len(rows)} results")
        fields = (line[name] for name in ("name", "standard_uncertainty", "sensitivity", "degrees_of_freedom", "distribution"))
        lines.setdefault(line["result"], []).append(Contribution(*fields))
    return [
        Result(
            **{name: row.get(name, "") if name in _LATER else row[name] for name, _, _ in _RESULTS if name not in _CONDITION},
            condition=ResultCondition(
                **{name: None if row[name] == "" or row[name] != row[name] else row[name] for name in _CONDITION}
            ),
            budget=tuple(lines.get(index, ())),
        )
        for index, row in enumerate(rows)
    ]


def verdicts_table(verdicts: Sequence[Verdict], results: Sequence[Result]) -> Table:
    """
    Raises:
        MisuseError: A verdict on a result that is not among `results`.
    """
    place = {id(result): row for row, result in enumerate(results)}
    rows = []
    for verdict in verdicts:
        row: dict[str, Any] = {**vars(verdict), "result": -1}
        if verdict.result is not None:
            if id(verdict.result) not in place:
                raise MisuseError(f"a verdict on {verdict.result}, which is not one of the results to be stored")
            row["result"] = place[id(verdict.result)]
        row["expectation"] = -1 if verdict.expectation is None else verdict.expectation
        rows.append(row)
    return _table(_VERDICTS, rows)


def verdicts_from(rows: Sequence[Mapping[str, Any]], results: Sequence[Result]) -> list[Verdict]:
    return [
        Verdict(
            **{name: row[name] for name, _, _ in _VERDICTS if name not in ("expectation", "result")},
            expectation=None if row["expectation"] < 0 else row["expectation"],
            result=None if row["result"] < 0 else results[row["result"]],
        )
        for row in rows
    ]


def _table(layout: Sequence[tuple[str, str, str]], rows: Sequence[Mapping[str, Any]]) -> Table:
    columns, arrays = [], []
    for name, dtype, long_name in layout:
        values: list[Any] = [row[name] for row in rows]
        if dtype == "S":
            values = [text_bytes(value) for value in values]
            dtype = f"S{max(1, *(len(value) for value in values), 1)}"
        columns.append(Column(name, _UNITS.get(name, ""), long_name, dtype))
        arrays.append(np.array(values, dtype if dtype[0] == "S" else "<" + dtype))
    return columns, arrays
