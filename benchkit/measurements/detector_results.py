"""The on-chip detector's law of each ladder, and the error made by reading it at another temperature by the room law."""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchkit.measurements.grouping import condition_of, each_ladder
from benchkit.measurements.level_parts import WORST_SHAPE, LevelParts, taken_apart
from benchkit.results.absent import Absent
from benchkit.results.detector import DetectorLaw, detector_temperature_error, fit_detector_law
from benchkit.results.result import PARAMETERS, Result, ResultCondition
from benchkit.results.uncertainty import Budget, Contribution

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["detector_results"]

ROOM_DEGC = 25.0
# A difference must stand above the voltmeters' standard uncertainty by this factor to count (common practice, no source).
FLOOR_FACTOR = 3.0


@dataclass(frozen=True)
class _Detector:
    condition: ResultCondition
    output_dbm: NDArray[np.float64]
    detector_v: NDArray[np.float64]
    reference_v: NDArray[np.float64]
    parts: LevelParts
    u_v: float
    law: DetectorLaw | Absent

    @property
    def floor_v(self) -> float:
        return FLOOR_FACTOR * self.u_v

    @property
    def end_db(self) -> float:
        """Of the power that the voltages tell at the lowest level used: voltmeters and the power meter's zero. [dB]"""
        if isinstance(self.law, Absent):
            return 0.0
        volts_db = 10.0 / math.log(10.0) * self.u_v / self.law.lowest_v / self.law.slope
        used = np.isfinite(self.output_dbm) & (self.output_dbm <= self.law.lowest_dbm)
        return math.hypot(volts_db, float(self.parts.zero_db[used].max()) if used.any() else 0.0)


def detector_results(points: pd.DataFrame, measurement: str) -> list[Result]:
    """
    Slope and intercept of every ladder; at every temperature but room's, the worst error made by the room law.

    Args:
        points: Finished ladders of one measurement, with detector readings.
        measurement: What the results say they come from.
    """
    detectors = [_read(rows) for rows in each_ladder(points)]
    results: list[Result] = []
    groups: dict[tuple[object, ...], list[_Detector]] = defaultdict(list)
    for detector in detectors:
        results += _law(detector, measurement)
        key = detector.condition
        groups[key.channel, key.supply_voltage_v, key.frequency_hz].append(detector)
    for group in groups.values():
        results += _over_temperature(group, measurement)
    return results


def _read(rows: pd.DataFrame) -> _Detector:
    output, detector, reference, u_v = (
        rows[name].to_numpy(dtype=np.float64) for name in ("output_dbm", "detector_v", "reference_v", "u_detector_v")
    )
    # Without a reference diode the detector stands alone. One that is wired and gave no number makes the uncertainty none, too:
    # then the difference is not known, and the detector's own voltage must not pass for it.
    is_wired = not np.isfinite(u_v[np.isfinite(detector)]).any()
    reference = reference if is_wired or not np.isnan(reference).all() else np.zeros_like(detector)
    floor = float(np.nanmin(u_v)) if np.isfinite(u_v).any() else 0.0
    law = fit_detector_law(output, detector, reference, floor_v=FLOOR_FACTOR * floor)
    return _Detector(condition_of(rows), output, detector, reference, LevelParts(rows, 0.0), floor, law)


def _law(detector: _Detector, measurement: str) -> list[Result]:
    law = detector.law
    if isinstance(law, Absent):
        return [_absent(name, detector.condition, law, measurement) for name in ("detector_slope", "detector_intercept")]
    convention = "least squares on log axes, over the whole ladder"
    few = max(1, law.points - 2)
    # A constant error of the output level moves the intercept and leaves the slope; the meter's linearity turns the slope, and
    # moves the intercept, far outside the levels used, by that turn. It bounds the difference of any two levels: each may be off
    # by half of it, and the shape that turns a line by least squares furthest, the lower half of the ladder off one way and the
    # upper the other, turns it by 1.5 times what the two ends alone would.
    # So does a limit of the voltmeters' error, which is worth most at the smallest difference.
    span_db = law.highest_dbm - law.lowest_dbm
    end_db = detector.end_db
    far_db = abs(law.intercept_dbm - 0.5 * (law.lowest_dbm + law.highest_dbm))
    slope = Budget((
        Contribution("scatter about the law", law.slope_standard_error, 1.0, few),
        Contribution("power meter linearity", detector.parts.meter_linearity_db, WORST_SHAPE * law.slope / span_db),
        Contribution("voltmeters and zero at the lowest level", end_db, law.slope / span_db),
    ))  # fmt: skip
    intercept = Budget((
        Contribution("scatter about the law", law.intercept_standard_error_db, 1.0, few),
        Contribution("output level", detector.parts.output_db),
        Contribution("power meter linearity", detector.parts.meter_linearity_db, WORST_SHAPE * far_db / span_db),
        Contribution("voltmeters and zero at the lowest level", end_db, far_db / span_db),
    ))  # fmt: skip
    return [
        _result("detector_slope", law.slope, slope, detector, convention, measurement),
        _result("detector_intercept", law.intercept_dbm, intercept, detector, convention, measurement),
    ]


def _over_temperature(group: list[_Detector], measurement: str) -> list[Result]:
    with_temperature = [one for one in group if one.condition.temperature_degc is not None]
    if len({one.condition.temperature_degc for one in with_temperature}) < 2:
        return []
    by_degc: dict[float, list[_Detector]] = defaultdict(list)
    for one in with_temperature:
        by_degc[one.condition.temperature_degc or 0.0].append(one)
    room_degc = min(by_degc, key=lambda degc: abs(degc - ROOM_DEGC))
    rooms = by_degc.pop(room_degc)
    results = []
    # Of repeats the n-th is read by the n-th law at room temperature: the scatter of both is then in that of the results.
    for place, one in ((place, one) for many in by_degc.values() for place, one in enumerate(many)):
        room = rooms[place % len(rooms)]
        if isinstance(room.law, Absent):
            results.append(_absent("detector_temperature_error", one.condition, room.law, measurement))
            continue
        error = detector_temperature_error(
            room.law, one.output_dbm, one.detector_v, one.reference_v, floor_v=one.floor_v
        )
        if isinstance(error, Absent):
            results.append(_absent("detector_temperature_error", one.condition, error, measurement))
            continue
        convention = f"largest error over the ladder, read by the law at {room.condition.temperature_degc:+g} °C"
        # Power read and true power share the output path and the meter, at both temperatures: their constant errors cancel.
        # What is left is the scatter about the law, twice; the meter's linearity, where the two are read at different levels; and
        # the voltmeters and the meter's zero at the small end, at both temperatures.
        budget = Budget((
            Contribution("scatter about the law, at both temperatures", room.law.residual_db, math.sqrt(2.0)),
            Contribution("power meter linearity", one.parts.meter_linearity_db),
            Contribution("voltmeters and zero at the lowest level", math.hypot(one.end_db, room.end_db)),
        ))  # fmt: skip
        results.append(
            _result("detector_temperature_error", abs(error.worst_db), budget, one, convention, measurement)
        )
    return results


def _result(
    name: str, value: float, budget: Budget, detector: _Detector, convention: str, measurement: str
) -> Result:
    parameter = PARAMETERS[name]
    whole = taken_apart(budget, output_level=detector.parts.output_lines)
    return Result(
        name, value, parameter.unit, parameter.plane, detector.condition, "", whole.expanded, convention=convention,
        measurement=measurement, budget=whole.contributions,
    )  # fmt: skip


def _absent(name: str, condition: ResultCondition, why: Absent, measurement: str) -> Result:
    parameter = PARAMETERS[name]
    return Result(
        name, math.nan, parameter.unit, parameter.plane, condition, "", reason=why.reason, uncertainty_reason="no value",
        measurement=measurement,
    )  # fmt: skip
