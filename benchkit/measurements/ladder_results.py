"""One drive ladder summed up: gain, compression points, saturated power, efficiencies, each with its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchkit.measurements.grouping import condition_of
from benchkit.measurements.level_parts import LevelParts, taken_apart
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
from benchkit.results.saturation import saturated_power, saturation_convention
from benchkit.results.uncertainty import Budget, Contribution

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["LadderConventions", "ladder_results"]

ZERO = "power meter zero at the lowest levels"
CROSSING = "where the compression point lies"
HALF_STEP_DB = 0.25


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
        self.conventions = conventions
        self.condition: ResultCondition = condition_of(rows)
        self.measurement = measurement
        self.convention = reference_convention(conventions.reference, conventions.reference_points)
        gains = (self.output_dbm - self.input_dbm)[np.isfinite(self.output_dbm)][: conventions.reference_points]
        # Scatter of one gain reading, from the lowest levels, where the gain is straight (JCGM 100, 4.2.2).
        self.parts = LevelParts(rows, float(np.std(gains, ddof=1)) if gains.size > 1 else 0.0)
        # Of the lowest levels, which the reference gain comes from: there the meter's zero counts most.
        zero_db = self.parts.zero_db[np.isfinite(self.output_dbm)][: conventions.reference_points]
        self.reference_zero_db = float(zero_db.mean()) if zero_db.size else 0.0

    def result(self, name: str, value: float, budget: Budget, *, qualifier: str = "", convention: str = "") -> Result:
        parameter = PARAMETERS[name]
        whole = taken_apart(budget, input_level=self.parts.input_lines, output_level=self.parts.output_lines)
        expanded = whole.expanded
        return Result(
            name, value, parameter.unit, parameter.plane, self.condition, qualifier, expanded,
            uncertainty_reason="" if math.isfinite(expanded) else "the record holds no uncertainty of the levels",
            convention=convention or self.convention, measurement=self.measurement, budget=whole.contributions,
        )  # fmt: skip

    def crossing(self, budget: Budget) -> float:
        """Of a compression point's level: what moves the crossing itself, without the level's own constant error. [dB]"""
        return math.hypot(*(line.amount for line in budget.contributions if line.name not in ("input level", "output level")))

    def per_drive(self, find: Callable[[float], float | Absent], input_dbm: float) -> float:
        """Change of what `find` gives at a drive, per dB of drive: how far an uncertain crossing moves it."""
        steps = [(level, find(level)) for level in (input_dbm - HALF_STEP_DB, input_dbm, input_dbm + HALF_STEP_DB)]
        known = [(level, value) for level, value in steps if not isinstance(value, Absent)]
        if len(known) < 2:
            return 0.0
        return (known[-1][1] - known[0][1]) / (known[-1][0] - known[0][0])

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
        return [
            ladder.absent("small_signal_gain", usable, convention=f"mean of the {conventions.reference_points} lowest levels"),
            ladder.absent("gain_expansion", usable),
        ]
    gains = (usable.output_dbm - usable.input_dbm)[: conventions.reference_points]
    budget = gain_budget(
        input_db=ladder.parts.input_db,
        output_db=ladder.parts.output_db,
        random_db=ladder.parts.scatter_db / math.sqrt(gains.size),
    )
    budget = Budget((*budget.contributions, Contribution(ZERO, ladder.reference_zero_db, distribution="rectangular")))
    convention = f"mean of the {gains.size} lowest levels"
    results = [ladder.result("small_signal_gain", float(gains.mean()), budget, convention=convention)]
    expansion = gain_expansion_db(
        ladder.input_dbm, ladder.output_dbm, reference_points=conventions.reference_points
    )
    if isinstance(expansion, Absent):
        results.append(ladder.absent("gain_expansion", expansion))
    else:
        # A difference of two gains on one ladder: both paths and both instruments cancel; scatter, linearity and zero do not.
        # The highest of many readings lies above the curve by about one standard deviation more: upwards in every repeat, so that
        # it does not average out, and is no scatter.
        budget = Budget((
            Contribution("highest of readings that scatter", ladder.parts.scatter_db, math.sqrt(2.0)),
            Contribution("scatter of the reference gain", ladder.parts.scatter_db / math.sqrt(conventions.reference_points)),
            Contribution("linearity along the ladder", ladder.parts.linearity_db, distribution="rectangular"),
            Contribution(ZERO, ladder.reference_zero_db, distribution="rectangular"),
        ))  # fmt: skip
        results.append(ladder.result("gain_expansion", expansion, budget))
    return results


def _p1db(ladder: _Ladder, point: CompressionPoint | Absent) -> list[Result]:
    names = ("p1db", "input_p1db", "drain_current_p1db")
    if isinstance(point, Absent):
        return [ladder.absent(name, point) for name in names]
    output, level = _output_budget(ladder, point), _input_budget(ladder, point)
    results = [ladder.result("p1db", point.output_dbm, output), ladder.result("input_p1db", point.input_dbm, level)]

    def current_at(input_dbm: float) -> float | Absent:
        return at_input(ladder.input_dbm, ladder.drain_a, input_dbm, name="drain current")

    current = current_at(point.input_dbm)
    if isinstance(current, Absent):
        results.append(ladder.absent("drain_current_p1db", current))
    else:
        budget = Budget((
            Contribution(
                "drain supply's current reading", ladder.uncertainty_at(ladder.u_drain_a, point.input_dbm),
                distribution="rectangular",
            ),
            Contribution(CROSSING, ladder.crossing(level), ladder.per_drive(current_at, point.input_dbm)),
        ))  # fmt: skip
        results.append(ladder.result("drain_current_p1db", current, budget))
    return results


def _output_budget(ladder: _Ladder, point: CompressionPoint) -> Budget:
    parts = ladder.parts
    budget = output_compression_budget(
        point, output_db=parts.output_db, scatter_db=parts.scatter_db, linearity_db=parts.linearity_db
    )
    # The meter's zero is worth nothing at the crossing, some 20 dB above the reference levels, where it moves the gain.
    zero = Contribution(ZERO, ladder.reference_zero_db, 1.0 / point.gain_slope_db_per_db + 1.0)
    return Budget((*budget.contributions, zero))


def _input_budget(ladder: _Ladder, point: CompressionPoint) -> Budget:
    parts = ladder.parts
    budget = input_compression_budget(
        point, input_db=parts.input_db, scatter_db=parts.scatter_db, linearity_db=parts.linearity_db
    )
    return Budget((*budget.contributions, Contribution(ZERO, ladder.reference_zero_db, 1.0 / point.gain_slope_db_per_db)))


def _output_at(ladder: _Ladder, level_db: float, point: CompressionPoint | Absent) -> Result:
    qualifier = f"{level_db:g} dB compression"
    if isinstance(point, Absent):
        return ladder.absent("output_at_compression", point, qualifier=qualifier)
    return ladder.result("output_at_compression", point.output_dbm, _output_budget(ladder, point), qualifier=qualifier)


def _saturated(ladder: _Ladder) -> Result:
    found = saturated_power(
        ladder.input_dbm, ladder.output_dbm, slope_max_db_per_db=ladder.conventions.saturation_slope
    )
    if isinstance(found, Absent):
        convention = saturation_convention(ladder.conventions.saturation_slope)
        return ladder.absent("saturated_power", found, convention=convention)
    budget = Budget((
        Contribution("output level", ladder.parts.output_db),
        Contribution("scatter of the highest output", ladder.parts.scatter_db),
    ))  # fmt: skip
    return ladder.result("saturated_power", found.output_dbm, budget, convention=found.convention)


def _efficiencies(ladder: _Ladder, point: CompressionPoint | Absent) -> list[Result]:
    columns = (ladder.input_dbm, ladder.output_dbm, ladder.drain_v, ladder.drain_a)
    at_p1db = point if isinstance(point, Absent) else efficiency_at_input(*columns, point.input_dbm)
    crossing_db = 0.0 if isinstance(point, Absent) else ladder.crossing(_input_budget(ladder, point))
    results = _efficiency(ladder, "p1db", at_p1db, "", crossing_db)
    output_db = 0.0 if isinstance(point, Absent) else ladder.crossing(_output_budget(ladder, point))
    for back_off_db in ladder.conventions.back_offs_db:
        backed_off = (
            point
            if isinstance(point, Absent)
            else efficiency_in_back_off(*columns, from_dbm=point.output_dbm, back_off_db=back_off_db)
        )
        # Back-off counts from P1dB: where that moves, so does the drive, by nearly as much this far below saturation.
        results += _efficiency(ladder, "back_off", backed_off, f"{back_off_db:g} dB back-off", output_db)
    return results


def _efficiency(
    ladder: _Ladder, where: str, point: EfficiencyPoint | Absent, qualifier: str, crossing_db: float
) -> list[Result]:
    names = (f"drain_efficiency_{where}", f"pae_{where}")
    convention = "drain supply only" + (", output back-off from P1dB" if qualifier else "")
    if isinstance(point, Absent):
        return [ladder.absent(name, point, qualifier=qualifier, convention=convention) for name in names]
    u_v = ladder.uncertainty_at(ladder.u_drain_v, point.input_dbm)
    u_a = ladder.uncertainty_at(ladder.u_drain_a, point.input_dbm)
    parts = ladder.parts
    columns = (ladder.input_dbm, ladder.output_dbm, ladder.drain_v, ladder.drain_a)
    eta = drain_efficiency_budget(point, output_db=parts.output_db, voltage_v=u_v, current_a=u_a)
    pae = pae_budget(point, input_db=parts.input_db, output_db=parts.output_db, voltage_v=u_v, current_a=u_a)
    results = []
    for name, value, budget, field in (
        (names[0], point.drain_efficiency_percent, eta, "drain_efficiency_percent"),
        (names[1], point.pae_percent, pae, "pae_percent"),
    ):

        def found(input_dbm: float, field: str = field) -> float | Absent:
            there = efficiency_at_input(*columns, input_dbm)
            return there if isinstance(there, Absent) else float(getattr(there, field))

        per_output = next(line.sensitivity for line in budget.contributions if line.name == "output level")
        whole = Budget((
            *budget.contributions,
            Contribution("scatter of the output", parts.scatter_db, per_output),
            Contribution(CROSSING, crossing_db, ladder.per_drive(found, point.input_dbm)),
        ))  # fmt: skip
        results.append(ladder.result(name, value, whole, qualifier=qualifier, convention=convention))
    return results
