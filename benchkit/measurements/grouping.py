"""Points by ladder and condition: shared by the kinds."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from benchkit.results.figure import Trace
from benchkit.results.result import ResultCondition

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["condition_of", "each_ladder", "repeats_text", "told_apart"]


def each_ladder(points: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """
    The rows of one ladder at a time, in the order they were measured.

    Args:
        points: Rows of one measurement, ladders finished.
    """
    for _, rows in points.groupby("ladder", sort=True):
        yield rows


def condition_of(rows: pd.DataFrame, *, with_frequency: bool = True) -> ResultCondition:
    """The condition that all `rows` share. A temperature that was not set (no chamber) is None."""
    # Cell by cell: a whole row of mixed types costs pandas ten times as much.
    temperature = float(rows["temperature_set_degc"].to_numpy()[0])
    frequency = float(rows["frequency_hz"].to_numpy()[0])
    return ResultCondition(
        temperature_degc=None if temperature != temperature else temperature,
        channel=str(rows["channel"].iat[0]),
        supply_voltage_v=float(rows["supply_voltage_set_v"].to_numpy()[0]),
        frequency_hz=frequency if with_frequency and frequency == frequency else None,
    )


def repeats_text(counts: Sequence[int]) -> str:
    """How many repeats the lines of a plot are the mean of, for its caption; "" where each was measured once."""
    low, high = min(counts, default=1), max(counts, default=1)
    if high == 1:
        return ""
    return f"Each line: mean of {high if low == high else f'{low} to {high}'} repeats; the record holds each repeat."


def told_apart(traces: Sequence[Trace]) -> tuple[Trace, ...]:
    """Traces whose name comes several times are repeats: each is numbered."""
    counts, seen = Counter(trace.name for trace in traces), Counter[str]()
    found = []
    for trace in traces:
        seen[trace.name] += 1
        found.append(trace if counts[trace.name] == 1 else replace(trace, name=f"{trace.name}, repeat {seen[trace.name]}"))
    return tuple(found)
