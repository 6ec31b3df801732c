"""One drive ladder summed up: gain, compression points, saturated power, efficiencies, each with its uncertainty."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchkit.measurements.grouping import condition_of
from benchkit.results.absent import Absent
from benchkit.results.compression import (
    CompressionPoint,
    Reference,
    compression_point,
    gain_expansion_db,
    reference_convention,
)
from benchkit.results.curve import as_ladder, at_input, readable
from benchkit.results.efficiency import EfficiencyPoint, efficiency_at_input, efficiency_in_back_off
from benchkit.results.propagation import (
    drain_efficiency_budget,
    gain_budget,
    input_compression_budget,
    output_compression_budget,
    pae_budget,
)
from benchkit.results.result import PARAMETERS, Result, ResultCondition
from benchkit.results.saturation import saturated_power

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["LadderConventions", "ladder_results"]


@dataclass(frozen=True)
class LadderConventions:
    """What is reported and how it is defined; from the measurement's YAML block."""

    compressions_db: tuple[float, ...]
    back_offs_db: tuple[float, ...]
    reference: Reference
    reference_points: int
    saturation_slope: float


class _Ladder:
    """One ladder's columns and what its results share."""

    def __init__(self, rows: pd.DataFrame, conventions: LadderConventions, measurement: str) -> None:
        def column(name: str) -> NDArray[np.float64]:
            return rows[name].to_numpy(dtype=np.float64)

        self.input_dbm, self.output_dbm = column("input_dbm"), column("output_dbm")
        self.drain_v, self.drain_a = column("drain_voltage_v"), column("drain_current_a")
        self.u_drain_v, self.u_drain_a = column("u_drain_voltage_v"), column("u_drain_current_a")
        # Constant along a ladder: one frequency, one path, one meter.
        self.u_input_db, self.u_output_db = float(column("u_input_db").max()), float(column("u_output_db").max())
        self.conventions = conventions
        self.condition: ResultCondition = condition_of(rows)
        self.measurement = measurement
        self.convention = reference_convention(conventions.reference, conventions.reference_points)
        gains = (self.output_dbm - self.input_dbm)[np.isfinite(self.output_dbm)][: conventions.reference_points]
        # Scatter of one gain reading, from the lowest levels, where the gain is straight (JCGM 100, 4.2.2).
        self.scatter_db = float(np.std(gains, ddof=1)) if gains.size > 1 else 0.0

    def result(
        self, name: str, value: float, expanded: float, *, qualifier: str = "", convention: str = ""
    ) -> Result:
        parameter = PARAMETERS[name]
        return Result(
            name, value, parameter.unit, parameter.plane, self.condition, qualifier, expanded,
            convention=convention or self.convention, measurement=self.measurement,
        )  # fmt: skip

    def absent(self, name: str, why: Absent, *, qualifier: str = "", convention: str = "") -> Result:
        parameter = PARAMETERS[name]
        return Result(
            name, math.nan, parameter.unit, parameter.plane, self.condition, qualifier, reason=why.reason,
            uncertainty_reason="no value", convention=convention or self.convention, measurement=self.measurement,
        )  # fmt: skip

    def uncertainty_at(self, column: NDArray[np.float64], input_dbm: float) -> float:
        """The larger of the column's values beside a level; an uncertainty is not interpolated to look smaller."""
        index = int(np.searchsorted(self.input_dbm, input_dbm))
        return float(np.nanmax(column[max(0, index - 1) : index + 1]))


def ladder_results(rows: pd.DataFrame, conventions: LadderConventions, measurement: str) -> list[Result]:
    """
    Every number that one finished ladder gives.

    Args:
        rows: The ladder's points, in the order of its steps.
        measurement: What the results say they come from.
    """
    ladder = _Ladder(rows, conventions, measurement)
    results = _gain(ladder)
    points = {
        level: compression_point(
            ladder.input_dbm, ladder.output_dbm, level,
            reference=conventions.reference, reference_points=conventions.reference_points,
        )
        for level in conventions.compressions_db
    }  # fmt: skip
    one_db = points[1.0]
    results += _p1db(ladder, one_db)
    for level, point in points.items():
        if level != 1.0:
            results.append(_output_at(ladder, level, point))
    results.append(_saturated(ladder))
    results += _efficiencies(ladder, one_db)
    return results


def _gain(ladder: _Ladder) -> list[Result]:
    conventions = ladder.conventions
    usable = readable(*as_ladder(ladder.input_dbm, ladder.output_dbm), at_least=conventions.reference_points)
    if isinstance(usable, Absent):
        return [ladder.absent("small_signal_gain", usable), ladder.absent("gain_expansion", usable)]
    gains = (usable.output_dbm - usable.input_dbm)[: conventions.reference_points]
    budget = gain_budget(
        input_db=ladder.u_input_db,
        output_db=ladder.u_output_db,
        random_db=ladder.scatter_db / math.sqrt(gains.size),
    )
    convention = f"mean of the {gains.size} lowest levels"
    results = [ladder.result("small_signal_gain", float(gains.mean()), budget.expanded, convention=convention)]
    expansion = gain_expansion_db(
        ladder.input_dbm, ladder.output_dbm, reference_points=conventions.reference_points
    )
    if isinstance(expansion, Absent):
        results.append(ladder.absent("gain_expansion", expansion))
    else:
        # A difference of two gains on one ladder: both paths and both instruments cancel, the scatter does not.
        scatter = ladder.scatter_db * math.hypot(1.0, 1.0 / math.sqrt(conventions.reference_points))
        results.append(ladder.result("gain_expansion", expansion, 2.0 * scatter))
    return results


def _p1db(ladder: _Ladder, point: CompressionPoint | Absent) -> list[Result]:
    names = ("p1db", "input_p1db", "drain_current_p1db")
    if isinstance(point, Absent):
        return [ladder.absent(name, point) for name in names]
    output = output_compression_budget(point, output_db=ladder.u_output_db, scatter_db=ladder.scatter_db)
    level = input_compression_budget(point, input_db=ladder.u_input_db, scatter_db=ladder.scatter_db)
    results = [
        ladder.result("p1db", point.output_dbm, output.expanded),
        ladder.result("input_p1db", point.input_dbm, level.expanded),
    ]
    current = at_input(ladder.input_dbm, ladder.drain_a, point.input_dbm, name="drain current")
    if isinstance(current, Absent):
        results.append(ladder.absent("drain_current_p1db", current))
    else:
        expanded = 2.0 * ladder.uncertainty_at(ladder.u_drain_a, point.input_dbm)
        results.append(ladder.result("drain_current_p1db", current, expanded))
    return results


def _output_at(ladder: _Ladder, level_db: float, point: CompressionPoint | Absent) -> Result:
    qualifier = f"{level_db:g} dB compression"
    if isinstance(point, Absent):
        return ladder.absent("output_at_compression", point, qualifier=qualifier)
    budget = output_compression_budget(point, output_db=ladder.u_output_db, scatter_db=ladder.scatter_db)
    return ladder.result("output_at_compression", point.output_dbm, budget.expanded, qualifier=qualifier)


def _saturated(ladder: _Ladder) -> Result:
    found = saturated_power(
        ladder.input_dbm, ladder.output_dbm, slope_max_db_per_db=ladder.conventions.saturation_slope
    )
    if isinstance(found, Absent):
        return ladder.absent("saturated_power", found)
    expanded = 2.0 * math.hypot(ladder.u_output_db, ladder.scatter_db)
    return ladder.result("saturated_power", found.output_dbm, expanded, convention=found.convention)


def _efficiencies(ladder: _Ladder, point: CompressionPoint | Absent) -> list[Result]:
    columns = (ladder.input_dbm, ladder.output_dbm, ladder.drain_v, ladder.drain_a)
    at_p1db = point if isinstance(point, Absent) else efficiency_at_input(*columns, point.input_dbm)
    results = _efficiency(ladder, "p1db", at_p1db, "")
    for back_off_db in ladder.conventions.back_offs_db:
        backed_off = (
            point
            if isinstance(point, Absent)
            else efficiency_in_back_off(*columns, from_dbm=point.output_dbm, back_off_db=back_off_db)
        )
        results += _efficiency(ladder, "back_off", backed_off, f"{back_off_db:g} dB back-off")
    return results


def _efficiency(ladder: _Ladder, where: str, point: EfficiencyPoint | Absent, qualifier: str) -> list[Result]:
    names = (f"drain_efficiency_{where}", f"pae_{where}")
    if isinstance(point, Absent):
        return [ladder.absent(name, point, qualifier=qualifier) for name in names]
    u_v = ladder.uncertainty_at(ladder.u_drain_v, point.input_dbm)
    u_a = ladder.uncertainty_at(ladder.u_drain_a, point.input_dbm)
    output_db = math.hypot(ladder.u_output_db, ladder.scatter_db)
    eta = drain_efficiency_budget(point, output_db=output_db, voltage_v=u_v, current_a=u_a)
    pae = pae_budget(point, input_db=ladder.u_input_db, output_db=output_db, voltage_v=u_v, current_a=u_a)
    convention = "drain supply only" + (", output back-off from P1dB" if qualifier else "")
    return [
        ladder.result(names[0], point.drain_efficiency_percent, eta.expanded, qualifier=qualifier, convention=convention),
        ladder.result(names[1], point.pae_percent, pae.expanded, qualifier=qualifier, convention=convention),
    ]
