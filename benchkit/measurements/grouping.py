"""Points by ladder and condition: shared by the kinds."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchkit.results.result import ResultCondition

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["condition_of", "each_ladder"]


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
    first = rows.iloc[0]
    temperature = float(first["temperature_set_degc"])
    frequency = float(first["frequency_hz"])
    return ResultCondition(
        temperature_degc=None if temperature != temperature else temperature,
        channel=str(first["channel"]),
        supply_voltage_v=float(first["supply_voltage_set_v"]),
        frequency_hz=frequency if with_frequency and frequency == frequency else None,
    )
