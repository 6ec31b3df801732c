"""
Levels of harmonics, absolute and relative to the carrier, with their uncertainty; and whose they are.

The mixer of an analyser makes harmonics of its own. With A dB more attenuation its own of order n falls by (n - 1) A dB against
the carrier, the device's stays (common practice, no source). What does not pass that test gives no number.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from benchkit.measurements.grouping import condition_of, each_ladder
from benchkit.measurements.level_parts import mismatch_lines
from benchkit.measurements.spectrum_base import SpectrumLine
from benchkit.measurements.spectrum_rows import line_from
from benchkit.measurements.two_tone_results import noise_error_db
from benchkit.results.absent import Absent
from benchkit.results.own_products import attenuator_step
from benchkit.results.result import Parameter, Result, ResultCondition
from benchkit.results.uncertainty import Budget, Contribution, standard_from_u_shaped

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "CARRIER", "HARMONICS", "HIGHEST_HARMONIC", "RANDOM", "DriveError", "HarmonicConventions", "at_drive", "drives_of",
    "each_with_lines", "harmonic_results", "judged_levels", "lines_read", "per_drive", "qualifier_of", "reads_of", "u_drive_db",
]  # fmt: skip

CARRIER = "carrier"
# Contributions that are another from repeat to repeat.
RANDOM = ("scatter",)
HIGHEST_HARMONIC = 5
_ORDINALS = {2: "Second", 3: "Third", 4: "Fourth", 5: "Fifth"}
HARMONICS = tuple(
    parameter
    for n, ordinal in _ORDINALS.items()
    for parameter in (
        Parameter(f"harmonic_{n}", f"{ordinal} harmonic", "dBm", "device output"),
        Parameter(f"harmonic_{n}_relative", f"{ordinal} harmonic relative to the carrier", "dB", "device output"),
    )
)
_BY_NAME = {parameter.name: parameter for parameter in HARMONICS}


@dataclass(frozen=True)
class HarmonicConventions:
    """From the measurement's YAML block."""

    highest: int
    attenuation_db: float
    check_step_db: float
    check_tolerance_db: float
    noise_margin_db: float
    reports_every_drive: bool


def drives_of(rows: pd.DataFrame, every: bool) -> list[float]:
    """Levels that results are reported at: all, or the highest. [dBm]"""
    found = sorted(set(rows["drive_set_dbm"].to_numpy(dtype=float).tolist()))
    return found if every else found[-1:]


def at_drive(rows: pd.DataFrame, drive_dbm: float) -> pd.DataFrame:
    found: pd.DataFrame = rows[rows["drive_set_dbm"].to_numpy(dtype=float) == drive_dbm]
    return found


def qualifier_of(drive_dbm: float) -> str:
    return f"{drive_dbm:+.4g} dBm drive"


def lines_read(rows: pd.DataFrame, attenuation_db: float) -> dict[str, SpectrumLine]:
    """Lines of one drive by name, at one attenuation; responses apart."""
    return {
        line.name: line
        for line in line_from(rows)
        if math.isclose(line.attenuation_db, attenuation_db, abs_tol=1e-6) and (line.name == CARRIER or "harmonic" in line.name)
    }


def each_with_lines(points: pd.DataFrame, lines: pd.DataFrame) -> Iterator[tuple[pd.DataFrame, pd.DataFrame]]:
    """
    Points and lines of each ladder that has both.

    Args:
        points: Of one measurement, finished ladders.
        lines: Its rows of the stream "lines".
    """
    by_ladder = dict(iter(lines.groupby("ladder")))
    for rows in each_ladder(points):
        own = by_ladder.get(int(rows["ladder"].to_numpy()[0]))
        if own is not None:
            yield rows, own


def harmonic_results(
    points: pd.DataFrame, lines: pd.DataFrame, conventions: HarmonicConventions, title: str
) -> list[Result]:
    """
    Args:
        points: Of this measurement, finished ladders.
        lines: Its rows of the stream "lines".
    """
    results: list[Result] = []
    for rows, own in each_with_lines(points, lines):
        condition = condition_of(rows)
        at_drives = {drive_dbm: at_drive(own, drive_dbm) for drive_dbm in drives_of(own, every=True)}
        reads = reads_of(own, conventions.attenuation_db)
        for drive_dbm in drives_of(own, conventions.reports_every_drive):
            again = lines_read(at_drives[drive_dbm], conventions.attenuation_db + conventions.check_step_db)
            u_db = u_drive_db(at_drive(rows, drive_dbm))
            for n in range(2, conventions.highest + 1):
                drive = DriveError(u_db, *per_drive(n, reads, drive_dbm))
                judged = _Harmonic(n, reads[drive_dbm], again, conventions, drive)
                results += judged.results(condition, qualifier_of(drive_dbm), title)
    return results


@dataclass(frozen=True)
class DriveError:
    """
    What the level at the device's input may be off by, and how a line moves with it.

    Attributes:
        u_db: Standard uncertainty; 0: a record that does not tell it. [dB]
        absolute, relative: Change per change of drive, of the line and of it against the carrier. [dB/dB]
    """

    u_db: float
    absolute: float
    relative: float


def u_drive_db(rows: pd.DataFrame) -> float:
    values = rows["u_input_db"].to_numpy(dtype=float) if "u_input_db" in rows else np.array([])
    return float(np.nanmax(values)) if np.isfinite(values).any() else 0.0


def reads_of(lines: pd.DataFrame, attenuation_db: float) -> dict[float, dict[str, SpectrumLine]]:
    """Of one ladder, at one attenuation: by drive, carrier and harmonics by name. [dB, dBm]"""
    return {drive_dbm: lines_read(at_drive(lines, drive_dbm), attenuation_db) for drive_dbm in drives_of(lines, every=True)}


def per_drive(n: int, reads: dict[float, dict[str, SpectrumLine]], drive_dbm: float) -> tuple[float, float]:
    """
    Slopes of a harmonic, absolute and against the carrier, over the drives beside one; far from saturation, and where one drive
    alone was read, it rises by n dB per dB. [dB/dB]
    """
    drives = sorted(reads)
    at = drives.index(drive_dbm)
    beside = drives[max(0, at - 1) : at + 2]
    low, high = reads[beside[0]], reads[beside[-1]]
    if f"harmonic {n}" not in low or len(beside) < 2:
        return float(n), float(n - 1)
    rises = [high[name].output_dbm - low[name].output_dbm for name in (f"harmonic {n}", CARRIER)]
    if not np.isfinite(rises).all():
        return float(n), float(n - 1)
    over_db = beside[-1] - beside[0]
    return rises[0] / over_db, (rises[0] - rises[1]) / over_db


class _Harmonic:
    """One harmonic at one drive, read twice."""

    def __init__(
        self, n: int, read: dict[str, SpectrumLine], again: dict[str, SpectrumLine], conventions: HarmonicConventions,
        drive: DriveError = DriveError(0.0, 0.0, 0.0),
    ) -> None:  # fmt: skip
        self._n, self._conventions, self._drive = n, conventions, drive
        name = f"harmonic {n}"
        self._carrier, self._line = read[CARRIER], read[name]
        self._carrier_again, self._again = again[CARRIER], again[name]

    def results(self, condition: ResultCondition, qualifier: str, title: str) -> Iterator[Result]:
        absolute, relative = _BY_NAME[f"harmonic_{self._n}"], _BY_NAME[f"harmonic_{self._n}_relative"]
        judged = self._judge()
        values = [judged, judged]
        budgets: list[Sequence[Contribution]] = [(), ()]
        said = ""
        if not isinstance(judged, Absent):
            own_db, said = judged
            line, carrier = self._line, self._carrier
            lines = self._lines(own_db)
            # The number is told for a stated drive: what the level at the device's input is off by moves it.
            drive, told = self._drive, "level at the device's input"
            budgets[0] = [*lines, Contribution(told, drive.u_db, drive.absolute)]
            budgets[1] = [
                *lines,
                Contribution(told, drive.u_db, drive.relative),
                # The device's output is matched otherwise at the harmonic than at the carrier, and the phase is another.
                *mismatch_lines(carrier.u_mismatch_db, " at the carrier", -1.0),
                Contribution("spectrum analyser's level at the carrier", carrier.u_analyser_db, -1.0, distribution="rectangular"),
                Contribution("path from the device to the analyser at the carrier", carrier.u_path_db, -1.0),
            ]
            numbers = [line.output_dbm, line.output_dbm - carrier.output_dbm]
            if math.isnan(carrier.output_dbm):
                values[1] = Absent("the carrier has no level within the analyser's range")
        for index, parameter in enumerate((absolute, relative)):
            value = values[index]
            if isinstance(value, Absent):
                yield Result(
                    parameter.name, math.nan, parameter.unit, parameter.plane, condition, qualifier, reason=value.reason,
                    uncertainty_reason="no value", measurement=title,
                )  # fmt: skip
                continue
            budget = Budget([one for one in budgets[index] if one.amount > 0])
            yield Result(
                parameter.name, numbers[index], parameter.unit, parameter.plane, condition, qualifier, budget.expanded,
                convention="less the carrier's level" if index else "level of the line",
                found=f"at {self._line.frequency_hz / 1e9:.6g} GHz; {said}", measurement=title, budget=budget.contributions,
            )  # fmt: skip

    def _lines(self, own_db: float) -> list[Contribution]:
        line = self._line
        bias_db, scatter_db = noise_error_db(line.output_dbm - line.noise_dbm)
        lines = [
            Contribution("spectrum analyser's level at the harmonic", line.u_analyser_db, distribution="rectangular"),
            Contribution("path from the device to the analyser at the harmonic", line.u_path_db),
            *mismatch_lines(line.u_mismatch_db, " at the harmonic"),
            Contribution("analyser's own harmonic", standard_from_u_shaped(own_db)),
            # It lifts a line: that is not taken off, for where exactly it stands is a rating. It does so at every repeat.
            Contribution("noise at the harmonic", bias_db / math.sqrt(3.0)),
            Contribution("scatter by noise at the harmonic", scatter_db),
        ]
        return [one for one in lines if one.amount > 0]

    def _judge(self) -> tuple[float, str] | Absent:
        """Half width of what the analyser may have added, and how that is known; or why there is no number. [dB]"""
        n, conventions, line, again = self._n, self._conventions, self._line, self._again
        hz = f"{line.frequency_hz / 1e9:.6g} GHz"
        if math.isnan(line.loss_db):
            return Absent(f"the path's loss is not known at {hz}: {line.analyser_dbm:.2f} dBm at the analyser's connector")
        if math.isnan(line.output_dbm):
            return Absent(f"{line.analyser_dbm:.2f} dBm at {hz} is outside the analyser's range")
        if math.isnan(line.noise_dbm):
            return Absent("the analyser's noise is not stated (noise_floor in the bench file): is it a line, or noise?")
        above_db = line.output_dbm - line.noise_dbm
        if above_db < conventions.noise_margin_db:
            return Absent(
                f"stands {above_db:.1f} dB above the noise, and needs {conventions.noise_margin_db:g} dB (noise_margin): "
                "not above "
                f"{max(line.output_dbm, line.noise_dbm):.1f} dBm; narrow the bandwidth"
            )
        rated_db = math.nan
        if n == 2 and not math.isnan(line.own_dbm):
            rated_db = 20 * math.log10(1 + 10 ** ((line.own_dbm - line.output_dbm) / 20))
        again_db = again.output_dbm - again.noise_dbm
        # The carrier tells what the attenuator itself is off by.
        off_db = self._carrier_again.analyser_dbm - self._carrier.analyser_dbm
        step_db = conventions.check_step_db
        if not (again_db >= conventions.noise_margin_db and math.isfinite(off_db)):
            if rated_db <= conventions.check_tolerance_db:
                return rated_db, "not judged by the attenuator step (noise), the analyser's own by its rating below the tolerance"
            return Absent(
                f"with {step_db:g} dB more attenuation it stands {again_db:.1f} dB above the noise: whether it is the "
                "analyser's own is "
                "not known; narrow the bandwidth, or step by less"
            )
        errors = [noise_error_db(one) for one in (above_db, again_db)]
        allowed_db = conventions.check_tolerance_db + max(bias for bias, _ in errors) + 3 * max(scatter for _, scatter in errors)
        if allowed_db >= (n - 1) * step_db:
            return Absent(f"noise alone may change it by {allowed_db:.1f} dB: an attenuator step of {step_db:g} dB tells nothing")
        step = attenuator_step(line.analyser_dbm, again.analyser_dbm - off_db, step_db, tolerance_db=allowed_db, order=n)
        if not step.is_clean:
            return Absent(f"not the device's alone: {step.reason}")
        # A product that changes by no more than the tolerance is the analyser's own to no more than this.
        found_db = conventions.check_tolerance_db / (1 - 10 ** (-(n - 1) * step_db / 20))
        return (found_db if math.isnan(rated_db) else min(found_db, rated_db)), step.reason


def judged_levels(rows: pd.DataFrame, conventions: HarmonicConventions) -> dict[int, list[float]]:
    """Carrier (1) and harmonics of one ladder by order, at every drive; NaN: what gives no number. [dBm]"""
    levels: dict[int, list[float]] = {n: [] for n in range(1, conventions.highest + 1)}
    for drive_dbm in drives_of(rows, every=True):
        present = at_drive(rows, drive_dbm)
        read = lines_read(present, conventions.attenuation_db)
        again = lines_read(present, conventions.attenuation_db + conventions.check_step_db)
        levels[1].append(read[CARRIER].output_dbm)
        for n in range(2, conventions.highest + 1):
            is_absent = isinstance(_Harmonic(n, read, again, conventions)._judge(), Absent)
            levels[n].append(math.nan if is_absent else read[f"harmonic {n}"].output_dbm)
    return levels
