"""What a search for spurious lines comes to: the smallest distance from the mask, the strongest line, and how near noise was."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchkit.measurements.grouping import condition_of, each_ladder
from benchkit.measurements.harmonic_results import CARRIER, at_drive, qualifier_of
from benchkit.measurements.level_parts import mismatch_lines
from benchkit.measurements.mask import MaskSegment, limits_dbm
from benchkit.measurements.responses import MOST, RESPONSE, is_own, nearby, noise_of
from benchkit.measurements.spectrum_base import SpectrumLine, SpectrumTrace
from benchkit.measurements.spectrum_figures import condition_name, spectrum_axes, spectrum_traces
from benchkit.measurements.spectrum_rows import line_from, traces_from
from benchkit.results.absent import Absent
from benchkit.results.figure import Figure, Trace
from benchkit.results.result import Parameter, Result, ResultCondition
from benchkit.results.uncertainty import Budget, Contribution

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SPURIOUS", "SearchConventions", "kept_out", "spurious_figures", "spurious_results"]

Floats = NDArray[np.float64]
# The highest of thousands of points of noise, with a peak detector, stays below this above their median. Common practice,
# no source.
STANDS_OUT_DB = 8.0

SPURIOUS = (
    Parameter("spurious_margin", "Smallest distance below the mask", "dB", "device output"),
    Parameter("spurious_level", "Strongest spurious line", "dBm", "device output"),
    Parameter("spurious_relative", "Strongest spurious line relative to the carrier", "dB", "device output"),
)


@dataclass(frozen=True)
class SearchConventions:
    """From the measurement's YAML block."""

    mask: tuple[MaskSegment, ...]
    guard_hz: float
    leaves_out_harmonics: bool
    noise_margin_db: float
    attenuation_db: float


def kept_out(trace: SpectrumTrace, carrier_hz: float, conventions: SearchConventions) -> NDArray[np.bool_]:
    """Points that do not count: around the carrier and, if asked, its harmonics; an interval that reaches into a guard, too."""
    half_hz = conventions.guard_hz + 0.5 * float(trace.frequency_hz[1] - trace.frequency_hz[0])
    highest = int((trace.frequency_hz[-1] + half_hz) // carrier_hz) if conventions.leaves_out_harmonics else 1
    found = np.zeros(trace.frequency_hz.size, dtype=bool)
    for n in range(1, highest + 1):
        found |= np.abs(trace.frequency_hz - n * carrier_hz) <= half_hz
    return found


@dataclass(frozen=True)
class _Found:
    """One search. `output_dbm` is NaN where nothing counts; `own_hz` was found to be the analyser's."""

    trace: SpectrumTrace
    drive_dbm: float
    carrier: SpectrumLine
    output_dbm: Floats
    mask_dbm: Floats
    own_hz: tuple[float, ...]
    is_endless: bool

    @property
    def noise_dbm(self) -> Floats:
        return noise_of(self.trace) + self.trace.loss_db


def _searches(rows: pd.DataFrame, lines: pd.DataFrame, carrier_hz: float, conventions: SearchConventions) -> list[_Found]:
    """Of one ladder, ascending in drive."""
    found = []
    for drive_dbm, trace in traces_from(rows):
        own = line_from(at_drive(lines, drive_dbm))
        carriers = [
            line for line in own
            if line.name == CARRIER and math.isclose(line.attenuation_db, conventions.attenuation_db, abs_tol=1e-6)
        ]  # fmt: skip
        responses = [line for line in own if line.name.startswith(RESPONSE)]
        pairs = list(zip(responses[::2], responses[1::2], strict=True))
        own_hz = tuple(first.frequency_hz for first, again in pairs if is_own(first, again))
        left_out = kept_out(trace, carrier_hz, conventions)
        for hz in own_hz:
            left_out |= nearby(trace, hz)
        mask = limits_dbm(conventions.mask, trace.frequency_hz, carriers[0].output_dbm)
        output = np.where(left_out, np.nan, trace.output_dbm)
        found.append(_Found(trace, drive_dbm, carriers[0], output, mask, own_hz, len(pairs) == MOST))
    return found


def spurious_results(
    points: pd.DataFrame, traces: pd.DataFrame, lines: pd.DataFrame, conventions: SearchConventions, title: str
) -> list[Result]:
    """
    Args:
        points: Of this measurement, finished ladders.
        traces, lines: Its rows of the streams "spectra" and "lines".
    """
    results: list[Result] = []
    of_traces, of_lines = (dict(iter(stream.groupby("ladder"))) for stream in (traces, lines))
    for rows in each_ladder(points):
        ladder = int(rows["ladder"].to_numpy()[0])
        if ladder not in of_traces or ladder not in of_lines:
            continue
        condition = condition_of(rows)
        assert condition.frequency_hz is not None, "driven"
        for found in _searches(of_traces[ladder], of_lines[ladder], condition.frequency_hz, conventions):
            results += _of_search(found, condition, conventions, title)
    return results


def _of_search(
    found: _Found, condition: ResultCondition, conventions: SearchConventions, title: str
) -> list[Result]:
    margin, level, relative = SPURIOUS
    qualifier = qualifier_of(found.drive_dbm)

    def number(parameter: Parameter, value: float, budget: Budget, convention: str, where: str) -> Result:
        return Result(
            parameter.name, value, parameter.unit, parameter.plane, condition, qualifier, budget.expanded, convention=convention,
            found=where, measurement=title, budget=budget.contributions,
        )  # fmt: skip

    def absent(parameter: Parameter, reason: str) -> Result:
        return Result(
            parameter.name, math.nan, parameter.unit, parameter.plane, condition, qualifier, reason=reason,
            uncertainty_reason="no value", measurement=title,
        )  # fmt: skip

    why = _unusable(found, conventions)
    if why is not None:
        return [absent(parameter, why.reason) for parameter in SPURIOUS]
    said = "".join(f"; {hz / 1e9:.5g} GHz left out: the analyser's own" for hz in found.own_hz)
    noise, distance = found.noise_dbm, found.mask_dbm - found.output_dbm
    worst = int(np.nanargmin(distance))
    is_noise = found.output_dbm[worst] - noise[worst] < STANDS_OUT_DB
    results = [
        number(
            margin, float(distance[worst]), _budget(found, worst, _is_relative(conventions, found, worst)),
            "smallest over the band searched",
            f"{_at(found, worst)}, where the mask is {found.mask_dbm[worst]:.2f} dBm"
            f"{'; a bound: it is noise' if is_noise else ''}{said}",
        )
    ]  # fmt: skip
    above = np.where(found.output_dbm - noise >= STANDS_OUT_DB, found.output_dbm, np.nan)
    if np.isnan(above).all():
        highest = int(np.nanargmax(found.output_dbm))
        reason = f"none stands out of the noise; highest reading {found.output_dbm[highest]:.1f} dBm {_at(found, highest)}{said}"
        return [*results, absent(level, reason), absent(relative, reason)]
    strongest = int(np.nanargmax(above))
    value_dbm, where = float(above[strongest]), f"{_at(found, strongest)}{said}"
    results.append(number(level, value_dbm, _budget(found, strongest, False), "highest that stands out of the noise", where))
    over_carrier = value_dbm - found.carrier.output_dbm
    budget = _budget(found, strongest, True)
    results.append(number(relative, over_carrier, budget, "the same, less the carrier's level", where))
    return results


def _unusable(found: _Found, conventions: SearchConventions) -> Absent | None:
    """Why nothing can be said of the mask."""
    trace, counts = found.trace, ~np.isnan(found.output_dbm)
    lacking = np.isnan(trace.output_dbm)
    if lacking.any():
        hz = float(trace.frequency_hz[int(np.argmax(lacking))])
        return Absent(
            f"no level at {int(lacking.sum())} of {lacking.size} points, the first at {hz / 1e9:.6g} GHz: the path's loss "
            "is not known "
            "there, or the reading is outside the analyser's range"
        )
    if not counts.any():
        return Absent("the guards leave nothing to be searched")
    if found.is_endless:
        return Absent(f"{MOST} lines above the mask were looked at, and there may be more: no spectrum of lines")
    room = np.where(counts, found.mask_dbm - found.noise_dbm, np.inf)
    worst = int(np.nanargmin(room))
    if room[worst] < conventions.noise_margin_db:
        return Absent(
            f"the analyser's noise reads {found.noise_dbm[worst]:.1f} dBm {_at(found, worst)}, and the mask there is "
            f"{found.mask_dbm[worst]:.1f} dBm: noise must be {conventions.noise_margin_db:g} dB below it (noise_margin); "
            "narrow the "
            "search's resolution bandwidth, or take less attenuation"
        )
    return None


def _is_relative(conventions: SearchConventions, found: _Found, index: int) -> bool:
    """Whether the stretch of the mask that holds at a point is counted from the carrier."""
    hz = float(found.trace.frequency_hz[index])
    holding = [one for one in conventions.mask if one.from_hz - 1.0 <= hz <= one.to_hz + 1.0]
    strictest = min(holding, key=lambda one: one.limit_dbm(found.carrier.output_dbm))
    return math.isnan(strictest.absolute_dbm)


def _budget(found: _Found, index: int, relative: bool) -> Budget:
    trace, carrier = found.trace, found.carrier
    lines = [
        Contribution("spectrum analyser's level", trace.u_analyser_db, distribution="rectangular"),
        Contribution("path from the device to the analyser", float(trace.u_path_db[index])),
        *mismatch_lines(trace.u_mismatch_db),
    ]
    if relative:
        lines += [
            Contribution("spectrum analyser's level at the carrier", carrier.u_analyser_db, -1.0, distribution="rectangular"),
            Contribution("path from the device to the analyser at the carrier", carrier.u_path_db, -1.0),
            # Far apart in frequency the two have phases of their own.
            *mismatch_lines(carrier.u_mismatch_db, " at the carrier", -1.0),
        ]
    return Budget(lines)


def _at(found: _Found, index: int) -> str:
    return f"at {found.trace.frequency_hz[index] / 1e9:.6g} GHz"


def spurious_figures(
    title: str, points: pd.DataFrame, traces: pd.DataFrame, lines: pd.DataFrame, conventions: SearchConventions
) -> list[Figure]:
    """Each search with its mask; broken where the guards are."""
    choices: dict[str, list[Trace]] = {}
    of_traces, of_lines = (dict(iter(stream.groupby("ladder"))) for stream in (traces, lines))
    for rows in each_ladder(points):
        ladder = int(rows["ladder"].to_numpy()[0])
        if ladder not in of_traces or ladder not in of_lines:
            continue
        condition = condition_of(rows)
        assert condition.frequency_hz is not None, "driven"
        for found in _searches(of_traces[ladder], of_lines[ladder], condition.frequency_hz, conventions):
            where = f"{condition.frequency_hz / 1e9:.6g} GHz, {qualifier_of(found.drive_dbm)}"
            drawn = choices.setdefault(where, [])
            drawn += spectrum_traces(found.trace, condition, condition_name(condition))
            x = found.trace.frequency_hz / 1e9
            out = kept_out(found.trace, condition.frequency_hz, conventions)
            mask = np.where(out, np.nan, found.mask_dbm)
            name = condition_name(condition, "mask")
            drawn.append(Trace(name, x, mask, condition.temperature_degc, condition.channel, "lines"))
    if not choices:
        return []
    x_axis, y_axis = spectrum_axes()
    return [
        Figure(
            key=f"{title}: search", title="Spectrum with mask", x=x_axis, y=y_axis,
            choices={name: tuple(drawn) for name, drawn in sorted(choices.items())}, choice_label="Carrier and drive",
            caption="Highest level of each interval. The mask is broken where nothing counts: around the carrier, and around its "
            "harmonics if these are left out.",
        )
    ]  # fmt: skip
