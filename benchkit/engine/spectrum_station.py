"""
The spectrum analyser at one channel: a whole sweep, or the levels of stated lines.

It changes nothing about bias or RF. Every reading goes through the channel's own station, so that drain and gate are read while
the analyser sweeps, and the limits look at what it found before anything else happens.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

import numpy as np

from benchkit.bench.model import AnalyserSettings, BenchFile
from benchkit.engine.bias import BiasState
from benchkit.engine.biasing import Biaser
from benchkit.engine.uncertainty import mismatch_db
from benchkit.errors import InstrumentError, MisuseError
from benchkit.measurements.base import Reading
from benchkit.measurements.spectrum_base import SpectrumLine, SpectrumSweep, SpectrumTrace
from benchkit.roles.analyser import Meanwhile

if TYPE_CHECKING:
    from benchkit.engine.station import ChannelStation

__all__ = ["AnalyserSpectrumStation"]

SQRT3 = math.sqrt(3.0)
# With this much at the mixer for a line at the top of the screen an analyser is usually at its best. Common practice, no source.
MIXER_AT_REFERENCE_DBM = -10.0
# A line is swept over this many bandwidths, with an odd count of points, so that one of them sits on the line.
SPAN_BANDWIDTHS = 4.0
LINE_POINTS = 101
# What is asked for was checked against the mask; a filter wider than this times it is another measurement.
BANDWIDTH_MOST = 1.5

Evidence = Callable[[str, Mapping[str, float | int | str]], None]


class AnalyserSpectrumStation:
    """
    Implements benchkit.measurements.spectrum_base.SpectrumStation.

    Raises:
        MisuseError: The channel's analyser is not wired, or not open.
    """

    def __init__(self, station: ChannelStation, biaser: Biaser, bench: BenchFile, evidence: Evidence) -> None:
        hookup = biaser.hookup
        self.channel = hookup.channel
        if hookup.analyser is None or hookup.analyser_path is None:
            raise MisuseError(f"channel {self.channel}: its spectrum analyser is not wired, or not open")
        self._analyser, self._path = hookup.analyser, hookup.analyser_path
        settings = bench.instruments[self._analyser.name]
        assert isinstance(settings, AnalyserSettings), "load_bench checks roles"
        self._settings = settings
        self._station, self._biaser, self._evidence = station, biaser, evidence
        self._u_mismatch_db = mismatch_db(bench.wiring.channels[self.channel].output.mismatch)

    def sweep(self, asked: SpectrumSweep, attenuation_db: float) -> tuple[Reading, SpectrumTrace]:
        """As SpectrumStation.sweep."""
        self._require_biased()
        self._set(attenuation_db, asked.bandwidth_hz)
        self._window(0.5 * (asked.start_hz + asked.stop_hz), asked.stop_hz - asked.start_hz)
        self._analyser.set_points(asked.points)
        self._analyser.set_detector("peak")
        self._analyser.check_errors()
        readout = _Trace(self, attenuation_db)
        reading = self._station.read(readout)
        assert readout.trace is not None, "collected with the reading"
        if self._biaser.state is not BiasState.DRIVEN:
            # Held against the limits already; of an undriven device it is noise, and no output power.
            reading = {name: value for name, value in reading.items() if name != "output_dbm"}
        return reading, readout.trace

    def lines(
        self, lines_hz: Mapping[str, float], bandwidth_hz: float, attenuation_db: float
    ) -> tuple[Reading, tuple[SpectrumLine, ...]]:
        """As SpectrumStation.lines."""
        self._require_biased()
        self._set(attenuation_db, bandwidth_hz)
        self._window(next(iter(lines_hz.values())), SPAN_BANDWIDTHS * self._analyser.resolution_bandwidth_hz)
        self._analyser.set_points(LINE_POINTS)
        self._analyser.set_detector("average")
        self._analyser.check_errors()
        readout = _Lines(self, lines_hz, attenuation_db)
        reading = self._station.read(readout)
        return reading, readout.lines

    def keep_evidence(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        """As SpectrumStation.keep_evidence."""
        self._evidence(stream, row)

    def _require_biased(self) -> None:
        if self._biaser.state not in (BiasState.BIASED, BiasState.DRIVEN):
            raise MisuseError(f"channel {self.channel} is {self._biaser.state.value}; a spectrum wants it biased")

    def _set(self, attenuation_db: float, bandwidth_hz: float) -> None:
        analyser = self._analyser
        analyser.set_attenuation(attenuation_db)
        analyser.set_reference_level(min(self._settings.input_max_dbm, attenuation_db + MIXER_AT_REFERENCE_DBM))
        analyser.set_resolution_bandwidth(bandwidth_hz)
        actual_hz = analyser.resolution_bandwidth_hz
        if not actual_hz <= BANDWIDTH_MOST * bandwidth_hz:
            raise InstrumentError(
                analyser.name,
                f"takes a resolution bandwidth of {actual_hz:g} Hz for {bandwidth_hz:g} Hz asked, and noise and guard "
                "were checked "
                "against what was asked; ask for a bandwidth that it has (measurements: resolution_bandwidth)",
            )

    def _window(self, center_hz: float, span_hz: float) -> None:
        """The narrower one of the settings first, so that the sweep never reaches beyond the analyser on the way."""
        analyser = self._analyser
        if span_hz < analyser.setpoint("span_hz"):
            analyser.set_span(span_hz)
            analyser.set_center(center_hz)
        else:
            analyser.set_center(center_hz)
            analyser.set_span(span_hz)

    # ------------------------------------------------------------------ for the readings below

    def drive_columns(self) -> Reading:
        return self._station.drive_columns()

    def trace(self, attenuation_db: float, time_s: float, meanwhile: Meanwhile) -> SpectrumTrace:
        """Collect a sweep. Nothing is corrected beyond the path's table. [dB, s]"""
        frequency_hz, analyser_dbm = self._analyser.collect_sweep(meanwhile)
        path, settings = self._path, self._settings
        # An end of the sweep that is an end of the table may miss it by rounding.
        known = (frequency_hz >= path.frequency_min_hz - 1.0) & (frequency_hz <= path.frequency_max_hz + 1.0)
        loss_db, u_path_db = np.full(frequency_hz.size, np.nan), np.full(frequency_hz.size, np.nan)
        # As LossPath does it one by one.
        loss_db[known] = np.interp(frequency_hz[known], path.frequencies_hz, path.losses_db)
        u_path_db[known] = np.interp(frequency_hz[known], path.frequencies_hz, path.uncertainties_db) / 2
        return SpectrumTrace(
            time_s=time_s,
            frequency_hz=frequency_hz,
            analyser_dbm=analyser_dbm,
            loss_db=loss_db,
            output_dbm=np.where(self.in_range(analyser_dbm), analyser_dbm + loss_db, np.nan),
            u_path_db=u_path_db,
            noise_dbm=self._analyser.noise_floor_dbm,
            u_analyser_db=settings.accuracy_db / SQRT3,
            attenuation_db=attenuation_db,
            bandwidth_hz=self._analyser.resolution_bandwidth_hz,
            u_mismatch_db=self._u_mismatch_db,
        )

    def in_range(self, level_dbm: np.ndarray | float) -> np.ndarray:
        """Above its stated range a level is no result; below it, only where nothing says how much of it is noise. [dBm]"""
        settings = self._settings
        low_dbm = -math.inf if settings.noise_floor_dbm is not None else settings.range_min_dbm
        level = np.asarray(level_dbm, dtype=np.float64)
        return np.asarray((level >= low_dbm) & (level <= settings.range_max_dbm))

    def arm_sweep(self) -> None:
        self._analyser.arm_sweep()

    def arm_levels(self, frequencies_hz: tuple[float, ...]) -> None:
        self._analyser.arm_levels(frequencies_hz)

    def collect_lines(
        self, lines_hz: Mapping[str, float], attenuation_db: float, time_s: float, meanwhile: Meanwhile
    ) -> tuple[SpectrumLine, ...]:
        """Collect levels of lines; the first is the carrier. [Hz, dB, s]"""
        analyser, path, settings = self._analyser, self._path, self._settings
        levels = analyser.collect_levels(meanwhile)
        found = []
        for (name, hz), level_dbm in zip(lines_hz.items(), levels, strict=True):
            is_known = path.covers(hz, hz)
            loss_db = path.loss_db(hz) if is_known else math.nan
            found.append(
                SpectrumLine(
                    name=name,
                    time_s=time_s,
                    frequency_hz=hz,
                    attenuation_db=attenuation_db,
                    bandwidth_hz=analyser.resolution_bandwidth_hz,
                    analyser_dbm=level_dbm,
                    loss_db=loss_db,
                    output_dbm=level_dbm + loss_db if self.in_range(level_dbm) else math.nan,
                    noise_dbm=analyser.noise_floor_dbm + loss_db,
                    own_dbm=analyser.own_second_dbm(levels[0]) + loss_db,
                    u_path_db=path.uncertainty_db(hz) / 2 if is_known else math.nan,
                    u_analyser_db=settings.accuracy_db / SQRT3,
                    u_mismatch_db=self._u_mismatch_db,
                )
            )
        return tuple(found)


class _Trace:
    """Implements engine.readout.Readout: one sweep. Its highest level is what the limits look at."""

    def __init__(self, station: AnalyserSpectrumStation, attenuation_db: float) -> None:
        self._station, self._attenuation_db = station, attenuation_db
        self.trace: SpectrumTrace | None = None

    def arm(self) -> None:
        self._station.arm_sweep()

    def inputs(self) -> Reading:
        return self._station.drive_columns()

    def collect(self, reading: Reading, meanwhile: Meanwhile) -> Reading:
        self.trace = self._station.trace(self._attenuation_db, reading["time_s"], meanwhile)
        # Beyond the analyser's range a level is no result, but enough to be held against the limits.
        raw = self.trace.analyser_dbm + self.trace.loss_db
        known = raw[~np.isnan(raw)]
        return _output(reading, float(known.max()) if known.size else math.nan)


class _Lines:
    """Implements engine.readout.Readout: the power of all lines together is what the limits look at."""

    def __init__(self, station: AnalyserSpectrumStation, lines_hz: Mapping[str, float], attenuation_db: float) -> None:
        self._station, self._lines_hz, self._attenuation_db = station, lines_hz, attenuation_db
        self.lines: tuple[SpectrumLine, ...] = ()

    def arm(self) -> None:
        self._station.arm_levels(tuple(self._lines_hz.values()))

    def inputs(self) -> Reading:
        return self._station.drive_columns()

    def collect(self, reading: Reading, meanwhile: Meanwhile) -> Reading:
        self.lines = self._station.collect_lines(self._lines_hz, self._attenuation_db, reading["time_s"], meanwhile)
        raw = [line.analyser_dbm + line.loss_db for line in self.lines]
        total_mw = math.fsum(10 ** (level_dbm / 10) for level_dbm in raw if not math.isnan(level_dbm))
        return _output(reading, 10 * math.log10(total_mw) if total_mw > 0 else math.nan)


def _output(reading: Reading, output_dbm: float) -> Reading:
    found = {"output_dbm": output_dbm}
    if "input_dbm" in reading:
        found["gain_db"] = output_dbm - reading["input_dbm"]
    return found
