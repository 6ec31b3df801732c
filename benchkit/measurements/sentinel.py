"""
The sentinel: one reference point that is measured again and again between ladders, so that drift is seen, not reported as device.

Not in the table of kinds: a sequence has one at most, under its own key. It is a block all the same, so that proof, estimate and
instruments treat its frequency and its level as they treat any other.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Mapping
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np
from pydantic import Field

from benchkit.files.types import Amperes, Dbm, Decibels, Hertz, Seconds, Volts
from benchkit.measurements.base import BlockStream, Column, Ladder, MeasurementBlock, Reading, Station
from benchkit.results.figure import Axis, Figure, Trace
from benchkit.results.result import Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SENTINEL", "SENTINEL_INDEX", "SENTINEL_LADDER", "Sentinel"]

SENTINEL = "sentinel"
"""Its key in a sequence, and the name of its stream in the record."""

SENTINEL_INDEX = -1
"""Its position among the measurements: it is none of them."""

SENTINEL_LADDER = -2
"""Its ladder's number in the record: it is none of the plan's, nor (-1) something done before the first condition."""

COLUMNS = (
    Column("time_s", "seconds since 1970-01-01T00:00:00Z", "end of the last reading"),
    Column("visit", "1", "which visit to this condition, from 1", "i8"),
    Column("occasion", "", "why it was measured: begin, interval, end, return or after zero", "S12"),
    Column("status", "", "reference, held, drifted, or tripped: the reading that ended the run", "S12"),
    Column("readings", "1", "readings with RF on, that the values are means of", "i8"),
    Column("frequency_hz", "Hz", "carrier frequency"),
    Column("drive_set_dbm", "dBm", "level asked for", plane="device input"),
    Column("output_dbm", "dBm", "output power, corrected", plane="device output"),
    Column("gain_db", "dB", "output_dbm - input power", plane="device input to device output"),
    Column("gain_scatter_db", "dB", "standard deviation of one gain reading"),
    Column("quiescent_a", "A", "drain current without drive, one reading before RF", plane="drain supply"),
    Column("drain_voltage_v", "V", "drain voltage of that reading", plane="drain supply"),
    Column("gate_voltage_v", "V", "gate voltage of that reading", plane="gate supply"),
    Column("gate_current_a", "A", "gate current of that reading", plane="gate supply"),
    Column("detector_v", "V", "detector diode less reference diode, RF on", plane="detector pin"),
    Column("case_degc", "degC", "case temperature"),
    Column("drift_db", "dB", "gain_db less that of the reference"),
    Column("drift_a", "A", "quiescent_a less that of the reference; NaN where the gate was trimmed anew in between"),
    Column("drift_v", "V", "detector_v less that of the reference"),
    Column("marks_from_s", "seconds since 1970-01-01T00:00:00Z", "points measured from here ... ; NaN: it marks none"),
    Column("marks_to_s", "seconds since 1970-01-01T00:00:00Z", "... to here are marked"),
)


class Sentinel(MeasurementBlock):
    """
    Small-signal gain at one frequency and one drive, the part biased as its condition says.

    Measured when a condition begins (its reference), between ladders when `every` has passed, and when the condition ends.
    """

    kind: Literal["sentinel"] = "sentinel"
    frequency_hz: Hertz = Field(alias="frequency", gt=0)
    drive_dbm: Dbm = Field(alias="drive", description="At the device's input; small signal")
    readings: int = Field(default=5, ge=2, le=1000, description="With RF on; their mean counts, their scatter is on record")
    every_s: Seconds = Field(alias="every", default=1800.0, gt=0, description="Not later than this, but between ladders only")
    at_return: bool = Field(default=True, description="A return to a condition is compared with the visit before")
    gain_drift_max_db: Decibels = Field(alias="gain_drift_max", gt=0, description="More than this since the reference is drift")
    quiescent_drift_max_a: Amperes | None = Field(
        alias="quiescent_drift_max", default=None, gt=0, description="The same for the quiescent current, within one bias-up"
    )
    detector_drift_max_v: Volts | None = Field(
        alias="detector_drift_max", default=None, gt=0, description="The same for the detector, less its reference"
    )
    on_drift: Literal["mark", "re-zero", "stop"] = Field(
        default="mark",
        description="mark: what was measured since the last good one carries a note; re-zero: that, and the power meter is "
        "zeroed and the sentinel measured again; stop: that, and the run ends safe, to be resumed",
    )

    streams: ClassVar[tuple[BlockStream, ...]] = (BlockStream(SENTINEL, COLUMNS),)

    def ladders(self) -> Iterator[Ladder]:
        yield Ladder(index=0, frequency_hz=self.frequency_hz, levels_dbm=(self.drive_dbm,))

    def ladder_count(self) -> int:
        return 1

    def point_count(self) -> int:
        return self.readings + 1

    def stream_rows(self, stream: str) -> int:
        return 3

    def frequency_span_hz(self) -> tuple[float, float] | None:
        return self.frequency_hz, self.frequency_hz

    def drive_span_dbm(self) -> tuple[float, float] | None:
        return self.drive_dbm, self.drive_dbm

    def measure(self, ladder: Ladder, station: Station) -> Generator[Reading, None, str]:
        """The first reading is without RF."""
        station.tune(ladder.frequency_hz)
        yield station.read()
        station.drive(ladder.levels_dbm[0])
        for _ in range(self.readings):
            yield station.read()
        station.rest()
        return ""

    def drifts(self, gain_db: float, quiescent_a: float, detector_v: float) -> list[str]:
        """
        What of these differences from the reference is beyond its bound, in words; NaN: not to be compared.

        A gain that is no number has drifted: it was one when the reference was measured.
        """
        found = []
        if not abs(gain_db) <= self.gain_drift_max_db:
            found.append(f"gain {gain_db:+.3f} dB (gain_drift_max {self.gain_drift_max_db:g} dB)")
        for what, value, bound, unit, scale in (
            ("quiescent current", quiescent_a, self.quiescent_drift_max_a, "mA", 1e3),
            ("detector", detector_v, self.detector_drift_max_v, "mV", 1e3),
        ):
            if bound is not None and not math.isnan(value) and abs(value) > bound:
                name = what.partition(" ")[0]
                found.append(f"{what} {value * scale:+.3g} {unit} ({name}_drift_max {bound * scale:g} {unit})")
        return found

    def summarise(self, points: pd.DataFrame) -> list[Result]:
        return []

    def figures(self, points: pd.DataFrame, results: list[Result]) -> list[Figure]:
        return []

    def figures_record(self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame], results: list[Result]) -> list[Figure]:
        """Gain drift over the run, with its bound; a line for each condition, and shaded what the marks are on."""
        rows = streams[SENTINEL]
        rows = rows[rows["status"] != "tripped"]
        if rows.empty:
            return []
        begin_s, traces = float(rows["time_s"].min()), []
        where = ["temperature_set_degc", "channel", "supply_voltage_set_v"]
        for _, own in rows.groupby(where, sort=False, dropna=False):
            degc, channel, supply_v = (own[name].iloc[0] for name in where)
            hours = (own["time_s"].to_numpy(dtype=float) - begin_s) / 3600.0
            drift_db = own["drift_db"].where(own["status"] != "reference", 0.0).to_numpy(dtype=float)
            # Between two visits the line is broken: the way there is not known.
            breaks = np.flatnonzero(np.diff(own["visit"].to_numpy(dtype=int))) + 1
            hours, drift_db = np.insert(hours, breaks, np.nan), np.insert(drift_db, breaks, np.nan)
            temperature = "" if math.isnan(degc) else f"{degc:+g} °C, "
            name = f"{temperature}channel {channel}, {supply_v:g} V"
            traces.append(Trace(name, hours, drift_db, None if math.isnan(degc) else float(degc), str(channel)))
        span = np.array([0.0, (float(rows["time_s"].max()) - begin_s) / 3600.0])
        for sign in (1.0, -1.0):
            bound = np.full(2, sign * self.gain_drift_max_db)
            traces.append(Trace(f"bound {sign * self.gain_drift_max_db:+g} dB", span, bound, mode="lines"))
        drifted = rows[(rows["status"] == "drifted") & rows["marks_from_s"].notna()]
        marks = [
            ((float(low) - begin_s) / 3600.0, (float(high) - begin_s) / 3600.0)
            for low, high in zip(drifted["marks_from_s"], drifted["marks_to_s"], strict=True)
        ]
        doubtful = " Shaded: what was measured while it is not known to have held, and carries a note." if marks else ""
        where_at = f"At {self.frequency_hz / 1e9:g} GHz, {self.drive_dbm:g} dBm."
        return [
            Figure(
                key="sentinel: drift", title="Sentinel: gain less its reference, over the run", x=Axis("Time (h)"),
                y=Axis("Gain drift (dB)"), traces=tuple(traces),
                caption=f"{where_at} Between readings nothing is known.{doubtful}",
                shaded=tuple(marks),
            )
        ]  # fmt: skip
