"""What the uncertainty of the levels along one drive ladder is made of, read from the record's columns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchkit.results.uncertainty import Budget, Contribution, DistributionName

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["WORST_SHAPE", "LevelParts", "mismatch_lines", "taken_apart"]

# A limit of error of any difference of two levels leaves each of them half of it. The shape that turns a line by least squares
# furthest, one half of the ladder off one way and the other half the other, turns it by so much more than the two ends alone:
# for evenly spaced points half the span times sum of |x| over sum of x^2.
WORST_SHAPE = 1.5

Parts = tuple[tuple[str, str, DistributionName], ...]

INPUT: Parts = (
    ("u_source_db", "source level accuracy", "rectangular"),
    ("u_input_path_db", "input path loss", "normal"),
    ("u_input_mismatch_db", "mismatch at the device's input", "normal"),
)
OUTPUT: Parts = (
    ("u_meter_db", "power meter accuracy", "rectangular"),
    ("u_output_path_db", "output path loss", "normal"),
    ("u_output_mismatch_db", "mismatch at the device's output", "normal"),
    ("u_meter_resolution_db", "power meter resolution", "rectangular"),
)


class LevelParts:
    """
    Standard uncertainties of one ladder's levels; all in dB.

    A record from before these columns, and a bench file that does not state them, give what they have: totals stay totals.

    Attributes:
        linearity_db: Of a difference of two gains on the ladder, meter's and source's together; 0 where neither is stated.
        meter_linearity_db: The power meter's alone.
        scatter_db: Standard deviation of one gain reading: the larger of that found and that stated for the meter.
    """

    def __init__(self, rows: pd.DataFrame, found_scatter_db: float) -> None:
        self._rows = rows
        self.meter_linearity_db = self._constant("u_meter_linearity_db", 0.0)
        self.linearity_db = math.hypot(self.meter_linearity_db, self._constant("u_source_linearity_db", 0.0))
        # Three readings may lie close by chance: the meter's own noise is in them all the same.
        self.scatter_db = max(found_scatter_db, self._constant("u_meter_noise_db", 0.0))

    @cached_property
    def input_lines(self) -> tuple[Contribution, ...]:
        """What is constant along the ladder of the input level."""
        return self._lines(INPUT, "u_input_db", "input level")

    @cached_property
    def output_lines(self) -> tuple[Contribution, ...]:
        """Likewise of the output level."""
        return self._lines(OUTPUT, "u_output_db", "output level")

    @property
    def input_db(self) -> float:
        """Of the input level."""
        return math.hypot(*(line.amount for line in self.input_lines))

    @property
    def output_db(self) -> float:
        """Of the output level, well above the meter's zero."""
        return math.hypot(*(line.amount for line in self.output_lines))

    @property
    def zero_db(self) -> NDArray[np.float64]:
        """Of each reading through the meter's zero; 0 where it is not stated."""
        if "u_meter_zero_db" not in self._rows:
            return np.zeros(len(self._rows))
        return np.asarray(np.nan_to_num(self._rows["u_meter_zero_db"].to_numpy(dtype=np.float64), nan=0.0), dtype=np.float64)

    def _constant(self, column: str, missing: float) -> float:
        # One frequency, one path, one meter: the same at every point that was read.
        if column not in self._rows:
            return missing
        values = self._rows[column].to_numpy(dtype=np.float64)
        return float(np.nanmax(values)) if np.isfinite(values).any() else missing

    def _lines(self, columns: Parts, total: str, name: str) -> tuple[Contribution, ...]:
        parts = [(label, self._constant(column, math.nan), shape) for column, label, shape in columns]
        lines = tuple(Contribution(label, u, distribution=shape) for label, u, shape in parts if not math.isnan(u))
        return lines or (Contribution(name, self._constant(total, math.nan)),)


def mismatch_lines(u_db: float, where: str = "", sensitivity: float = 1.0) -> tuple[Contribution, ...]:
    """Of a level that comes over the device's output plane to an analyser; none where the bench file does not state it. [dB]"""
    return () if math.isnan(u_db) else (Contribution(f"mismatch at the device's output{where}", u_db, sensitivity),)


def taken_apart(budget: Budget, **lines: Sequence[Contribution]) -> Budget:
    """
    A budget with its lines `input level` and `output level` replaced by what they are made of.

    Args:
        lines: By name of the line, blanks as underscores.
    """
    found: list[Contribution] = []
    for line in budget.contributions:
        parts = lines.get(line.name.replace(" ", "_"))
        if parts is None:
            found.append(line)
        else:
            found += [
                replace(part, sensitivity=part.sensitivity * line.sensitivity)
                for part in parts
            ]
    return Budget([line for line in found if line.amount > 0] or found[:1])
