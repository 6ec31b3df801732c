"""Gain compression: one ascending drive ladder per frequency; gain, output, efficiency and detector against drive."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np
from pydantic import Field

from benchkit.files.types import Amperes, Dbm, DbmAxis, Decibels, FileModel, HertzAxis
from benchkit.measurements.base import Ladder, MeasurementBlock, Reading, Station
from benchkit.measurements.believable import Ascent
from benchkit.measurements.compression_figures import compression_figures
from benchkit.measurements.detector_results import detector_results
from benchkit.measurements.grouping import each_ladder
from benchkit.measurements.ladder_results import LadderConventions, ladder_results
from benchkit.results.compression import Reference, gain_compression_db
from benchkit.results.figure import Figure
from benchkit.results.repeats import combined
from benchkit.results.result import Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Compression", "CompressionReport", "CompressionStop"]

# Two points in a row must be beyond the stop: one stray reading does not end a ladder.
IN_A_ROW = 2
# Contributions that are another from ladder to ladder.
RANDOM = ("scatter",)


class CompressionStop(FileModel):
    """Where a ladder ends before its last level. The device's own limits end the whole run instead."""

    compression_db: Decibels | None = Field(alias="compression", default=None, gt=0)
    output_power_dbm: Dbm | None = Field(alias="output_power", default=None)
    drain_current_a: Amperes | None = Field(alias="drain_current", default=None, gt=0)
    gate_current_a: Amperes | None = Field(alias="gate_current", default=None, gt=0, description="Magnitude")


class CompressionReport(FileModel):
    """What is summed up from each ladder, and by which convention."""

    compressions_db: tuple[Decibels, ...] = Field(alias="compression", default=(1.0,), description="1 dB is always reported")
    back_offs_db: tuple[Decibels, ...] = Field(
        alias="back_off", default=(3.0, 6.0, 10.0), description="Output back-off from P1dB at which efficiency is reported"
    )
    reference: Reference = Field(default="lowest levels", description="What compression is counted from")
    reference_points: int = Field(default=3, ge=1, le=99, description="How many of the lowest levels make the reference gain")
    saturation_slope: float = Field(
        default=0.1, gt=0, lt=1, description="Saturated where output rises by less than this per dB of drive [dB/dB]"
    )


class Compression(MeasurementBlock):
    """Ascending drive at each frequency until a stated compression, a stated limit or the end of the ladder."""

    kind: Literal["compression"]
    frequency_hz: HertzAxis = Field(alias="frequency")
    drive_dbm: DbmAxis = Field(alias="drive", description="At the device's input, ascending")
    repeats: int = Field(
        default=1,
        ge=1,
        le=100,
        description="How often all frequencies are gone through at each condition; results are means, their scatter is in the "
        "uncertainty",
    )
    stop: CompressionStop = CompressionStop()
    gain_rise_max: float = Field(
        default=0.25,
        gt=0,
        le=3,
        description="Gain that rises by more than this per dB of drive tells of a source or path that has jumped: it ends the "
        "run [dB/dB]",
    )
    gain_min_db: Decibels | None = Field(
        alias="gain_min",
        default=None,
        description="Less than this at a ladder's first point tells of a loose path or a dead part: it ends the run",
    )
    report: CompressionReport = CompressionReport()

    needs: ClassVar[frozenset[str]] = frozenset({"power"})

    def ladders(self) -> Iterator[Ladder]:
        levels = tuple(self.drive_dbm)
        # All frequencies before the first comes again: each repeat tunes, settles and reads anew.
        for index, frequency_hz in enumerate(hz for _ in range(self.repeats) for hz in self.frequency_hz):
            yield Ladder(index, frequency_hz, levels)

    def ladder_count(self) -> int:
        return self.repeats * len(self.frequency_hz)

    def point_count(self) -> int:
        return self.ladder_count() * len(self.drive_dbm)

    def frequency_span_hz(self) -> tuple[float, float] | None:
        return self.frequency_hz.minimum, self.frequency_hz.maximum

    def drive_span_dbm(self) -> tuple[float, float] | None:
        return self.drive_dbm.minimum, self.drive_dbm.maximum

    def measure(self, ladder: Ladder, station: Station) -> Generator[Reading, None, str]:
        station.tune(ladder.frequency_hz)
        ascent = Ascent(self.title, self.gain_rise_max, self.gain_min_db)
        beyond = 0
        for level_dbm in ladder.levels_dbm:
            station.drive(level_dbm)
            reading = station.read()
            yield reading
            ascent.add(reading)
            reason = self._stops(reading, ascent.inputs_dbm, ascent.outputs_dbm)
            beyond = beyond + 1 if reason else 0
            if reason and (beyond >= IN_A_ROW or not reason.endswith("compression")):
                return reason
        return ""

    def _stops(self, reading: Reading, inputs: list[float], outputs: list[float]) -> str:
        """Why the ladder ends at this point; "" when it goes on."""
        stop = self.stop
        for what, value, limit, unit in (
            ("output power", reading["output_dbm"], stop.output_power_dbm, "dBm"),
            ("drain current", reading["drain_current_a"], stop.drain_current_a, "A"),
            ("gate current", abs(reading["gate_current_a"]), stop.gate_current_a, "A"),
        ):
            if limit is not None and value >= limit:
                return f"{what} {value:.4g} {unit} reached {limit:g} {unit}"
        count = self.report.reference_points
        if stop.compression_db is None or len(inputs) <= count:
            return ""
        compression_db = self._compression_db(inputs, outputs)
        return f"{compression_db:.2f} dB compression" if compression_db >= stop.compression_db else ""

    def _compression_db(self, inputs: list[float], outputs: list[float]) -> float:
        """Compression at the last point. The common convention by hand: this runs at every point."""
        count = self.report.reference_points
        if self.report.reference == "lowest levels":
            reference = (sum(outputs[:count]) - sum(inputs[:count])) / count
            return reference - (outputs[-1] - inputs[-1])
        return float(
            gain_compression_db(inputs, outputs, reference=self.report.reference, reference_points=count)[-1]
        )

    def qualifiers(self, parameter: str) -> tuple[str, ...] | None:
        if parameter in ("drain_efficiency_back_off", "pae_back_off"):
            return tuple(f"{level_db:g} dB back-off" for level_db in self.report.back_offs_db)
        if parameter == "output_at_compression":
            return tuple(f"{level_db:g} dB compression" for level_db in self.report.compressions_db if level_db != 1.0)
        return None

    def summarise(self, points: pd.DataFrame) -> list[Result]:
        conventions = LadderConventions(
            compressions_db=tuple(sorted({1.0, *self.report.compressions_db})),
            back_offs_db=self.report.back_offs_db,
            reference=self.report.reference,
            reference_points=self.report.reference_points,
            saturation_slope=self.report.saturation_slope,
        )
        results = [
            result for rows in each_ladder(points) for result in ladder_results(rows, conventions, self.title)
        ]
        if np.isfinite(points["detector_v"].to_numpy(dtype=float)).any():
            results.extend(detector_results(points, self.title))
        return combined(results, RANDOM, self.repeats)

    def figures(self, points: pd.DataFrame, results: list[Result]) -> list[Figure]:
        return compression_figures(self.title, points, results)

    def notes(self) -> dict[str, str]:
        from benchkit.results.compression import reference_convention

        return {
            "compression": reference_convention(self.report.reference, self.report.reference_points),
            "saturation": f"output rises by less than {self.report.saturation_slope:g} dB per dB of drive at the ladder's end",
            "efficiency": "drain supply only; the gate supply's power is left out",
        }
