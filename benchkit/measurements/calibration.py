"""
A guided calibration of the network analyser at each channel, before anything is biased: standards connected one by one, error
terms computed and kept, standards connected again to see how well they come back.

Cables in the chamber are not those of the calibration any more when the temperature has changed: the record says when, and that
it was done at the temperature of the room.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from benchkit.errors import ConditionError
from benchkit.files.types import Dbm, Decibels, Hertz, HertzAxis, Seconds
from benchkit.measurements.base import NetworkStation, NetworkSweep
from benchkit.measurements.before_block import BeforeBlock
from benchkit.measurements.calibration_kit import CalibrationKit
from benchkit.measurements.network_rows import (
    CALIBRATION,
    RESIDUALS,
    STANDARDS,
    store_calibration,
    store_residual,
    store_standard,
)
from benchkit.quantities.format import format_quantity
from benchkit.results.absent import Absent
from benchkit.results.calibration import Calibration, apply
from benchkit.results.figure import Figure
from benchkit.results.line_band import USABLE_DEG
from benchkit.results.misplaced import misplaced_in_solt, misplaced_in_trl, weak_reflect
from benchkit.results.result import Parameter, Result, ResultCondition
from benchkit.results.solt import solt
from benchkit.results.standards import Standard, residuals
from benchkit.results.trl import trl

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["VectorCalibration"]

Complexes = NDArray[np.complex128]

_STANDARDS = {"SOLT": ("short", "open", "load", "thru"), "TRL": ("reflect", "line", "thru")}
# Connected again afterwards: known ones. Those that made the calibration come back exactly whatever they were.
_CHECKS = {"SOLT": ("short", "thru"), "TRL": ("thru",)}


_CONNECT_AGAIN = "Connect each standard as it is asked for and calibrate again; nothing was biased, and no calibration was made"


class VectorCalibration(BeforeBlock):
    """Short-open-load-thru or thru-reflect-line at the device's planes, of each channel, once, before the first condition."""

    kind: Literal["calibration"]
    method: Literal["SOLT", "TRL"]
    frequency_hz: HertzAxis = Field(alias="frequency", description="What is corrected by it is measured at these frequencies")
    level_dbm: Dbm = Field(alias="level", description="Highest at the device's input")
    if_bandwidth_hz: Hertz = Field(alias="if_bandwidth", gt=0)
    averages: int = Field(default=1, ge=1, le=1000)
    short_delay_s: Seconds = Field(alias="short_delay", default=0.0, ge=0, description="SOLT: offset of the short, one way")
    open_delay_s: Seconds = Field(alias="open_delay", default=0.0, ge=0, description="SOLT: offset of the open, one way")
    thru_delay_s: Seconds = Field(alias="thru_delay", default=0.0, ge=0, description="SOLT: length of the thru; 0 s: flush")
    line_delay_s: Seconds | None = Field(
        alias="line_delay", default=None, gt=0, description="TRL: by how much the line is longer than the thru, about"
    )
    reflect: Literal["short", "open"] = Field(default="short", description="TRL: what the reflect is more like")
    residual_max_db: Decibels = Field(
        alias="residual_max", default=-35.0, lt=0, description="A known standard connected again comes back within this"
    )

    kit: CalibrationKit = Field(
        default=CalibrationKit(), description="What the standards themselves may be off by, however well they come back"
    )

    needs: ClassVar[frozenset[str]] = frozenset({"network"})
    streams: ClassVar = (STANDARDS, CALIBRATION, RESIDUALS)
    parameters: ClassVar[tuple[Parameter, ...]] = (
        Parameter("calibration_residual", "Calibration: residual of a standard connected again", "dB", "device planes"),
    )

    def frequency_span_hz(self) -> tuple[float, float] | None:
        return self.frequency_hz.minimum, self.frequency_hz.maximum

    def drive_span_dbm(self) -> tuple[float, float] | None:
        return self.level_dbm, self.level_dbm

    def network_sweep(self) -> NetworkSweep:
        count = len(_STANDARDS[self.method]) + len(_CHECKS[self.method])
        return NetworkSweep(self.frequency_hz, self.level_dbm, self.if_bandwidth_hz, self.averages, 0, count)

    def before(self, station: NetworkStation) -> None:
        """
        Raises:
            ConditionError: The standards give no calibration, or a known one does not come back.
        """
        asked, grid = self.network_sweep(), np.array(self.frequency_hz, dtype=float)
        raw = {name: self._measured(station, name, asked, grid, is_check=False) for name in _STANDARDS[self.method]}
        where = f"{self.title}, channel {station.channel}"
        if wrong := self._misplaced(raw, grid):
            raise ConditionError(f"{where}: {wrong}. {_CONNECT_AGAIN}")
        found = self._solve(grid, raw, station.now_s())
        if isinstance(found, Absent):
            raise ConditionError(f"{where}: {found.reason}. Is each standard the one that was asked for, and tight?")
        if self.method == "TRL" and (wrong := weak_reflect(apply(found, grid, raw["reflect"]))):
            raise ConditionError(f"{where}: {wrong}. {_CONNECT_AGAIN}")
        store_calibration(station.store, found)
        checks = [
            Standard(name, self._measured(station, name, asked, grid, is_check=True), self._ideal(name, grid))
            for name in _CHECKS[self.method]
        ]
        shown = residuals(found, checks)
        for residual in shown:
            store_residual(station.store, found.made_s, residual)
            residual_db = 20 * math.log10(max(residual.largest, 1e-15))
            at = f"{residual.frequency_hz / 1e9:.6g} GHz"
            text = f"{residual.name} connected again comes back within {residual_db:.1f} dB (worst at {at})"
            station.note("calibration", f"{where}: {text}")
            if not residual_db <= self.residual_max_db:
                raise ConditionError(
                    f"{where}: {text}, above residual_max {self.residual_max_db:g} dB. Clean and tighten, then calibrate again; "
                    "nothing was biased, and a standard is still connected"
                )
        station.connect("device")
        # Of a reflection only a standard that reflects tells, of a transmission one that lets through: the thru tells of both.
        kit = self.kit.stated()
        station.keep(
            replace(
                found,
                residual_reflection=max(one.reflection for one in shown),
                residual_transmission=max(one.transmission for one in shown if one.name == "thru"),
                # TRL takes no crosstalk out, and so no noise of it in.
                isolation_noise=station.accuracy(asked).noise_floor if self.method == "SOLT" else 0.0,
                kit_reflection=kit["kit_reflection"],
                kit_transmission_db=kit["kit_transmission_db"],
            )
        )
        text = f"{self.method} of {grid.size} frequencies made and kept; the device is connected again"
        station.note("calibration", f"{where}: {text}")
        station.note("calibration", f"{where}: {self.kit.in_uncertainty}")

    def not_stated(self) -> tuple[str, ...]:
        missing = self.kit.missing
        return (f"{self.title}: what the kit's standards are off by (kit: {', '.join(missing)})",) if missing else ()

    def mistakes(self, files: Mapping[str, bytes] | None) -> Iterator[tuple[str, str]]:
        if self.method == "SOLT":
            return
        if self.line_delay_s is None:
            yield "method", "TRL needs line_delay, by how much the line is longer than the thru, such as line_delay: 0.018 ns"
            return
        low, high = (deg / 360.0 / self.line_delay_s for deg in USABLE_DEG)
        for hz in (self.frequency_hz.minimum, self.frequency_hz.maximum):
            if not low <= hz <= high:
                yield (
                    "line_delay",
                    f"{format_quantity(self.line_delay_s, 's')} is {360.0 * hz * self.line_delay_s:.0f} degrees at "
                    f"{format_quantity(hz, 'Hz', 9)}, and a line tells something from {USABLE_DEG[0]:g} to {USABLE_DEG[1]:g} "
                    f"degrees, this one from {format_quantity(low, 'Hz', 4)} to {format_quantity(high, 'Hz', 4)}: take "
                    "another line, or calibrate a narrower band",
                )
                return

    def _misplaced(self, raw: Mapping[str, Complexes], grid: NDArray[np.float64]) -> str:
        if self.method == "SOLT":
            return misplaced_in_solt(raw, {name: self._ideal(name, grid) for name in raw})
        return "" if self.line_delay_s is None else misplaced_in_trl(raw, grid, self.line_delay_s)

    def _measured(
        self, station: NetworkStation, name: str, asked: NetworkSweep, grid: NDArray[np.float64], *, is_check: bool
    ) -> Complexes:
        station.connect(name)
        raw = station.sweep(asked)
        store_standard(station.store, station.now_s(), name, grid, raw, is_check=is_check)
        if not np.isfinite(raw).all():
            raise ConditionError(f"{self.title}, channel {station.channel}: the network analyser gave no number for the {name}")
        return raw

    def _ideal(self, name: str, grid: NDArray[np.float64]) -> Complexes:
        s = np.zeros((grid.size, 2, 2), dtype=np.complex128)
        turn = -2j * np.pi * grid
        if name == "thru":
            # In TRL the planes are in the thru's middle: it has no length, by definition.
            s[:, 0, 1] = s[:, 1, 0] = np.exp(turn * (self.thru_delay_s if self.method == "SOLT" else 0.0))
        elif name != "load":
            sign, delay_s = (-1.0, self.short_delay_s) if name == "short" else (1.0, self.open_delay_s)
            s[:, 0, 0] = s[:, 1, 1] = sign * np.exp(2 * turn * delay_s)
        return s

    def _solve(self, grid: NDArray[np.float64], raw: Mapping[str, Complexes], made_s: float) -> Calibration | Absent:
        if self.method == "TRL":
            if self.line_delay_s is None:
                raise ConditionError(f"{self.title}: TRL needs line_delay, by how much the line is longer than the thru")
            return trl(
                grid, thru=raw["thru"], reflect=raw["reflect"], line=raw["line"], line_delay_s=self.line_delay_s,
                reflect_sign=-1 if self.reflect == "short" else 1, made_s=made_s,
            )  # fmt: skip
        standards = {name: Standard(name, raw[name], self._ideal(name, grid)) for name in raw}
        # Both ports loaded: what still arrives is the crosstalk.
        reflects = [standards[name] for name in ("short", "open", "load")]
        return solt(grid, reflects, standards["thru"], isolation=raw["load"], made_s=made_s)

    def stream_rows(self, stream: str) -> int:
        # Once a channel, not once a condition: room for more than is needed, which is trimmed at the end.
        return 2 if stream == "residuals" else len(self.frequency_hz) * (1 if stream == "calibration" else 6)

    def summarise_record(self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame]) -> list[Result]:
        return [
            Result(
                parameter="calibration_residual",
                value=20 * math.log10(max(float(row["largest"]), 1e-15)),
                unit="dB",
                plane="device planes",
                condition=ResultCondition(channel=str(row["channel"])),
                qualifier=str(row["standard"]),
                uncertainty_reason="a residual is itself a bound on what the calibration leaves",
                convention=f"{self.method}; largest |corrected - known| over the band, before the first condition",
                found=f"at {float(row['frequency_hz']) / 1e9:.6g} GHz",
                measurement=self.title,
            )
            for _, row in streams["residuals"].iterrows()
        ]

    def figures(self, points: pd.DataFrame, results: list[Result]) -> list[Figure]:
        return []

    def notes(self) -> dict[str, str]:
        unseen = {
            "SOLT": "short and open exchanged at both ports cannot be recognised: the sign of every reflection would be "
            "reversed, and no magnitude, transmission or stability figure changed",
            "TRL": "switch terms are taken as zero: the network analyser's role reads the four ratios, not what the idle port's "
            "switch sends back, so that what it reflects stays in the corrected traces; SOLT takes it out with the load match",
        }
        return {
            "what the calibration leaves": unseen[self.method],
            "calibration kit": "standards connected again show how well they are connected, not what they are. "
            f"{self.kit.in_uncertainty}",
            "calibration": f"{self.method} at the device's planes, unbiased, once per channel before the first condition; drift "
            "of cables with the chamber's temperature is not corrected"
        }
