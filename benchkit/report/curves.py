"""What a record measured, as curves over frequency: one for each parameter and condition."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchkit.report.digits import celsius, supply_of
from benchkit.report.source import Source
from benchkit.results.network_budget import NetworkErrors, magnitude_budget_db
from benchkit.results.result import Result, ResultCondition
from benchkit.results.uncertainty import Budget

__all__ = ["PHASE", "S_CURVES", "UNPOWERED", "Curve", "Sweep", "curves_of", "s_curves", "sweeps_of", "where_text"]

Floats = NDArray[np.float64]
PHASE = "s21_phase"
UNPOWERED = "unpowered"
# Names of S-parameters as curves, and what they are called. Levels in dB, the phase in degrees.
S_CURVES = {
    "s21": ("|S21|", "dB"), "s11": ("|S11|", "dB"), "s22": ("|S22|", "dB"), "s12": ("|S12|", "dB"),
    PHASE: ("Phase of S21", "deg"),
}  # fmt: skip
_ELEMENTS = {"s21": (1, 0), "s11": (0, 0), "s22": (1, 1), "s12": (0, 1)}
DEVICE_PLANES = "device input and output"


@dataclass(frozen=True)
class Curve:
    """
    One parameter under one condition.

    Attributes:
        condition: Without frequency; what is None is not tied to that quantity.
        hz: Ascending, shape (n,); one NaN where the parameter has no frequency. [Hz]
        values, expanded: Shape (n,), in `unit`; U, k = 2, NaN: not known.
    """

    parameter: str
    qualifier: str
    unit: str
    plane: str
    measurement: str
    condition: ResultCondition
    hz: Floats
    values: Floats
    expanded: Floats

    @property
    def has_frequency(self) -> bool:
        return bool(np.isfinite(self.hz).all())


@dataclass(frozen=True)
class Sweep:
    """
    S-parameters of one condition at the device's planes, shape (n, 2, 2).

    Attributes:
        expanded_db: U (k = 2) of each magnitude, same shape; NaN: not known. [dB]
        qualifier: "unpowered": of the unpowered device, which is compared with nothing else.
    """

    measurement: str
    condition: ResultCondition
    hz: Floats
    s: NDArray[np.complex128]
    expanded_db: Floats
    qualifier: str = ""


def curves_of(source: Source) -> list[Curve]:
    """All results with a number, and the corrected S-parameters."""
    groups: dict[tuple[object, ...], list[Result]] = {}
    for result in source.results:
        if not result.is_absent:
            at = result.condition
            key = (
                result.measurement, result.parameter, result.qualifier, result.unit, result.plane, at.temperature_degc,
                at.channel, at.supply_voltage_v, at.frequency_hz is None,
            )  # fmt: skip
            groups.setdefault(key, []).append(result)
    found = [_curve(members) for members in groups.values()]
    for sweep in sweeps_of(source):
        found += s_curves(sweep.hz, sweep.s, sweep.condition, sweep.measurement, sweep.expanded_db, sweep.qualifier)
    return found


def _curve(members: Sequence[Result]) -> Curve:
    first = members[0]
    hz = [math.nan if one.condition.frequency_hz is None else one.condition.frequency_hz for one in members]
    order = np.argsort(hz, kind="stable")
    at = first.condition
    return Curve(
        first.parameter, first.qualifier, first.unit, first.plane, first.measurement,
        ResultCondition(at.temperature_degc, at.channel, at.supply_voltage_v),
        np.array(hz)[order],
        np.array([one.value for one in members])[order],
        np.array([one.expanded_uncertainty for one in members])[order],
    )  # fmt: skip


def sweeps_of(source: Source) -> Iterator[Sweep]:
    """Finished and corrected ones: of repeats at one visit of a condition their mean; of several visits, each."""
    if source.sequence is None or "network" not in source.streams.own:
        return
    # Late: both bring the whole campaign along.
    from benchkit.campaign.summary import of_measurement
    from benchkit.campaign.visits import visits_of_ladders
    from benchkit.measurements.grouping import condition_of, each_ladder
    from benchkit.measurements.network_rows import s_from
    from benchkit.measurements.s_parameter_uncertainty import errors_of
    from benchkit.plan.plan import make_plan

    visits = visits_of_ladders(make_plan(source.sequence.file))
    for index, block in enumerate(source.sequence.file.measurements):
        rows = of_measurement(index, {"network": source.streams.own["network"]}, source.streams.ladders)["network"]
        repeats: dict[tuple[ResultCondition, int], list[Sweep]] = {}
        qualifier = UNPOWERED if block.is_unpowered else ""
        for sweep in each_ladder(rows):
            if np.isfinite(sweep["calibration_made_s"].to_numpy(dtype=float)).all():
                hz, s = sweep["frequency_hz"].to_numpy(dtype=float), s_from(sweep)
                condition = condition_of(sweep, with_frequency=False)
                visit = visits.get(int(sweep["ladder"].to_numpy()[0]), 1)
                one = Sweep(block.title, condition, hz, s, _expanded_db(s, errors_of(sweep)), qualifier)
                repeats.setdefault((condition, visit), []).append(one)
        for many in repeats.values():
            # One grid: it is the measurement's. What is off by the same in all of them is as large as in the worst.
            s, expanded_db = np.mean([one.s for one in many], axis=0), np.max([one.expanded_db for one in many], axis=0)
            yield replace(many[0], s=s, expanded_db=expanded_db)


def _expanded_db(s: NDArray[np.complex128], errors: NetworkErrors | None) -> Floats:
    found = np.full(s.shape, np.nan)
    if errors is None:
        return found
    for at, i, j in np.ndindex(*s.shape):
        if np.isfinite(s[at]).all() and s[at, i, j] != 0:
            found[at, i, j] = Budget(magnitude_budget_db(s, errors, at, i, j)).expanded
    return found


def s_curves(
    hz: Floats, s: NDArray[np.complex128], condition: ResultCondition, measurement: str, expanded_db: Floats | None = None,
    qualifier: str = "",
) -> list[Curve]:
    """One S-matrix over frequency as the curves of S_CURVES; U of the phase is not known."""
    unknown = np.full(len(hz), np.nan)
    found = []
    for name, (_, unit) in S_CURVES.items():
        i, j = _ELEMENTS.get(name, (1, 0))
        with np.errstate(divide="ignore"):
            values = 20 * np.log10(np.abs(s[:, i, j]))
        values[np.isinf(values)] = np.nan
        if name == PHASE:
            values = np.degrees(np.angle(s[:, i, j]))
        expanded = unknown if expanded_db is None or name == PHASE else expanded_db[:, i, j]
        found.append(Curve(name, qualifier, unit, DEVICE_PLANES, measurement, condition, hz, values, expanded))
    return found


def where_text(condition: ResultCondition) -> str:
    """A condition without frequency, for a name in a legend."""
    parts = ["" if condition.temperature_degc is None else celsius(condition.temperature_degc)]
    parts.append(f"channel {condition.channel}" if condition.channel else "")
    parts.append(supply_of(condition.supply_voltage_v))
    return ", ".join(filter(None, parts))
