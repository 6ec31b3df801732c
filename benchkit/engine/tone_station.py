"""
Two tones at one channel: both sources through the combiner, the spectrum analyser at the device's output.

RF comes on at a ladder's lowest level, first source first, and goes off with both sources read back. Bias, sensors and walls are
looked after by the channel's own station: of both tones together are the levels that are held against the limits.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING

from benchkit.bench.model import AnalyserSettings, BenchFile, SourceSettings
from benchkit.bench.paths import LossPath
from benchkit.clock import Clock
from benchkit.engine.bias import BiasState
from benchkit.engine.biasing import Biaser
from benchkit.engine.readout import efficiencies
from benchkit.engine.uncertainty import difference_db, mismatch_db
from benchkit.errors import InstrumentError, LimitError, MisuseError
from benchkit.measurements.base import Reading, ToneLine, TwoTones
from benchkit.roles import Analyser, Source
from benchkit.roles.analyser import Meanwhile

if TYPE_CHECKING:
    from benchkit.engine.station import ChannelStation

__all__ = ["CombinedToneStation"]

SQRT3 = math.sqrt(3.0)
# With this much at the mixer for a line at the top of the screen an analyser is usually at its best. Common practice, no source.
MIXER_AT_REFERENCE_DBM = -10.0
# A line is swept over this many bandwidths, with an odd count of points, so that one of them sits on the line.
SPAN_BANDWIDTHS = 4.0
POINTS = 101
TONES = ("lower tone", "upper tone")


class CombinedToneStation:
    """
    Implements benchkit.measurements.ToneStation, and reads the output for the channel's station (engine.readout.Readout).

    Raises:
        MisuseError: The channel is not wired for it, or not all of it is open.
    """

    def __init__(self, station: ChannelStation, biaser: Biaser, bench: BenchFile, clock: Clock, asked: TwoTones) -> None:
        hookup = biaser.hookup
        pair = (hookup.source, hookup.input_path), (hookup.second_source, hookup.second_path)
        self._ways: list[tuple[Source, LossPath]] = [
            (source, path) for source, path in pair if source is not None and path is not None
        ]
        if len(self._ways) != 2 or hookup.analyser is None or hookup.analyser_path is None:
            raise MisuseError(f"channel {hookup.channel}: two tones want two sources and a spectrum analyser, wired and open")
        self._analyser: Analyser = hookup.analyser
        self._path: LossPath = hookup.analyser_path
        self._station, self._biaser, self._clock, self._asked = station, biaser, clock, asked
        settings = bench.instruments[self._analyser.name]
        assert isinstance(settings, AnalyserSettings), "load_bench checks roles"
        self._settings = settings
        self._source_db, self._difference_db = [], []
        for source, _ in self._ways:
            ratings = bench.instruments[source.name]
            assert isinstance(ratings, SourceSettings), "load_bench checks roles"
            self._source_db.append(ratings.level_accuracy_db)
            self._difference_db.append(difference_db(ratings))
        self._where = f"channel {hookup.channel}"
        self._u_mismatch_db = mismatch_db(bench.wiring.channels[hookup.channel].output.mismatch)
        self._frequency_hz = self._spacing_hz = self._drive_dbm = math.nan
        self._carriers_hz: tuple[float, float] = (math.nan, math.nan)
        self._lines_hz: dict[str, float] = {}
        self._attenuation_db = asked.attenuation_db
        self._lines: tuple[ToneLine, ...] = ()

    # ------------------------------------------------------------------ for the kind

    def tune(self, frequency_hz: float, spacing_hz: float) -> None:
        """As ToneStation.tune."""
        asked, analyser = self._asked, self._analyser
        self.rest()
        self._frequency_hz, self._spacing_hz = frequency_hz, spacing_hz
        self._lines_hz = asked.lines_hz(frequency_hz, spacing_hz)
        self._carriers_hz = self._lines_hz[TONES[0]], self._lines_hz[TONES[1]]
        for (source, _), carrier_hz in zip(self._ways, self._carriers_hz, strict=True):
            source.set_frequency(carrier_hz)
        analyser.set_attenuation(asked.attenuation_db)
        analyser.set_reference_level(min(self._settings.input_max_dbm, asked.attenuation_db + MIXER_AT_REFERENCE_DBM))
        analyser.set_center(frequency_hz)
        analyser.set_resolution_bandwidth(asked.bandwidth_hz)
        actual_hz = analyser.resolution_bandwidth_hz
        if actual_hz > 1.5 * asked.bandwidth_hz:
            raise InstrumentError(
                analyser.name,
                f"takes a resolution bandwidth of {actual_hz:g} Hz for {asked.bandwidth_hz:g} Hz asked: the spacing was checked "
                "against what was asked; ask for a bandwidth that it has (measurements: resolution_bandwidth)",
            )
        analyser.set_span(SPAN_BANDWIDTHS * actual_hz)
        analyser.set_points(POINTS)
        analyser.set_detector("average")
        analyser.check_errors()

    def drive(self, level_dbm: float) -> None:
        """As ToneStation.drive."""
        if math.isnan(self._frequency_hz):
            raise MisuseError("drive() before tune(): the paths' losses are not known")
        levels = [
            level_dbm + path.loss_db(carrier_hz)
            for (_, path), carrier_hz in zip(self._ways, self._carriers_hz, strict=True)
        ]
        is_on = self._biaser.state is BiasState.DRIVEN
        if not is_on:
            # Refused before anything is sent; and from here on RF may be on, even if the next message fails.
            self._biaser.rf_on()
        for (source, _), source_dbm in zip(self._ways, levels, strict=True):
            source.set_level(source_dbm)
            if not is_on:
                source.output_on()
        for source, _ in self._ways:
            source.confirm()
        self._drive_dbm = level_dbm
        self._clock.sleep(max(source.settling_time_s for source, _ in self._ways))

    def rest(self) -> None:
        """As ToneStation.rest."""
        self._station.rest()
        self._drive_dbm = math.nan

    def read(self) -> tuple[Reading, tuple[ToneLine, ...]]:
        """As ToneStation.read. The more attenuated lines come first, so that the point is the reading taken last."""
        if self._biaser.state is not BiasState.DRIVEN:
            raise MisuseError(f"{self._where}: two tones are read while they are on; it is {self._biaser.state.value}")
        asked, analyser = self._asked, self._analyser
        again: tuple[ToneLine, ...] = ()
        if asked.check_step_db is not None:
            analyser.set_attenuation(asked.attenuation_db + asked.check_step_db)
            self._attenuation_db = asked.attenuation_db + asked.check_step_db
            self._station.read(self)
            again = self._lines
            analyser.set_attenuation(asked.attenuation_db)
        self._attenuation_db = asked.attenuation_db
        reading = self._station.read(self)
        return reading, self._lines + again

    # ------------------------------------------------------------------ for the channel's station

    def arm(self) -> None:
        """As Readout.arm."""
        self._analyser.arm_levels(tuple(hz for _, hz in self._ordered()))

    def inputs(self) -> Reading:
        """As Readout.inputs. Raw are the levels of each source, of the device's plane is what both make together."""
        losses = [path.loss_db(hz) for (_, path), hz in zip(self._ways, self._carriers_hz, strict=True)]
        parts = [
            math.hypot(accuracy_db / SQRT3, path.uncertainty_db(hz) / 2)
            for (_, path), hz, accuracy_db in zip(self._ways, self._carriers_hz, self._source_db, strict=True)
        ]
        return {
            "frequency_hz": self._frequency_hz,
            "spacing_hz": self._spacing_hz,
            "drive_set_dbm": self._drive_dbm,
            "source_level_dbm": self._drive_dbm + losses[0],
            "input_loss_db": losses[0],
            "second_level_dbm": self._drive_dbm + losses[1],
            "second_loss_db": losses[1],
            "input_dbm": self._drive_dbm + 10 * math.log10(2.0),
            # As if both were wrong alike, for they may be of one make: the larger of the two.
            "u_input_db": max(parts),
            "u_source_linearity_db": max(self._difference_db),
        }

    def collect(self, reading: Reading, meanwhile: Meanwhile) -> Reading:
        """
        As Readout.collect. Output is the power of all lines together.

        Raises:
            LimitError: A tone has no reading: then nothing watches the output while drive rises.
        """
        levels: dict[str, float] = {}
        for (name, _), level_dbm in zip(self._ordered(), self._analyser.each_level(meanwhile), strict=True):
            levels[name] = level_dbm
            if name in TONES and all(tone in levels for tone in TONES):
                # At once, and not behind the products, which take long.
                self._station.hold_output({**reading, **self._levels(levels, reading)})
        tone_dbm = sum(levels[tone] for tone in TONES) / 2
        self._lines = tuple(self._line(name, hz, levels[name], tone_dbm) for name, hz in self._lines_hz.items())
        found = self._levels(levels, reading)
        tone = self._lines[0]
        return {
            **found,
            "output_loss_db": tone.loss_db,
            "u_output_db": math.hypot(
                tone.u_analyser_db, tone.u_path_db, 0.0 if math.isnan(self._u_mismatch_db) else self._u_mismatch_db
            ),
            **efficiencies(reading, reading["input_dbm"], found["output_dbm"]),
        }

    def _ordered(self) -> list[tuple[str, float]]:
        """
        The lines in the order they are read. [Hz]

        In the reading that is followed by the next level of drive the tones come last: a source that has jumped meanwhile is seen
        by them before anything is stepped up, and that costs no time.
        """
        tones = [line for line in self._lines_hz.items() if line[0] in TONES]
        products = [line for line in self._lines_hz.items() if line[0] not in TONES]
        return products + tones if self._attenuation_db == self._asked.attenuation_db else tones + products

    def _levels(self, levels: Mapping[str, float], reading: Reading) -> Reading:
        """
        Output and gain by the lines that were read so far. [dBm]

        Raises:
            LimitError: A tone has no reading.
        """
        missing = [tone for tone in TONES if math.isnan(levels[tone])]
        if missing:
            raise LimitError(
                f"{missing[0]} at {self._analyser.name}, {self._where} (it gave no number)", math.nan,
                self._settings.range_max_dbm, "dBm", f"instruments.{self._analyser.name}.range_max",
                "not a number, so nothing watches the output",
            )  # fmt: skip
        # Above the analyser's range a level is no result, but enough to be held against the limits.
        raw = [dbm + self._path.loss_db(self._lines_hz[name]) for name, dbm in levels.items() if not math.isnan(dbm)]
        output_dbm = 10 * math.log10(math.fsum(10 ** (level_dbm / 10) for level_dbm in raw))
        return {"output_dbm": output_dbm, "gain_db": output_dbm - reading["input_dbm"]}

    def _line(self, name: str, frequency_hz: float, level_dbm: float, tone_dbm: float) -> ToneLine:
        """One line at the device's plane, beside what the analyser adds when each tone stands at `tone_dbm`. [Hz, dBm]"""
        analyser, settings = self._analyser, self._settings
        loss_db = self._path.loss_db(frequency_hz)
        relative_db = settings.accuracy_db if settings.relative_accuracy_db is None else settings.relative_accuracy_db
        in_range = settings.range_min_dbm <= level_dbm <= settings.range_max_dbm or (
            # Its stated range ends where a wide filter's noise does; a narrow one reads lower, and the noise is told beside it.
            level_dbm < settings.range_min_dbm and settings.noise_floor_dbm is not None
        )
        return ToneLine(
            name=name,
            frequency_hz=frequency_hz,
            attenuation_db=self._attenuation_db,
            bandwidth_hz=analyser.resolution_bandwidth_hz,
            analyser_dbm=level_dbm,
            loss_db=loss_db,
            output_dbm=level_dbm + loss_db if in_range else math.nan,
            noise_dbm=analyser.noise_floor_dbm + loss_db,
            own_dbm=analyser.own_third_dbm(tone_dbm) + loss_db,
            u_path_db=self._path.uncertainty_db(frequency_hz) / 2,
            u_analyser_db=settings.accuracy_db / SQRT3,
            u_relative_db=relative_db / SQRT3,
            u_mismatch_db=self._u_mismatch_db,
        )
