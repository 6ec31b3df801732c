"""Spectrum analyser: swept, one trace, four markers. CALCulate:MARKer is not SCPI-1999 but what such devices share."""

from __future__ import annotations

import math
from typing import ClassVar

from benchkit.bench.model import AnalyserSettings
from sim_instruments.instruments.acquisition import AcquiringInstrument
from sim_instruments.instruments.distortion import MixerDistortion
from sim_instruments.instruments.noise import Noise, StatedError, error_within
from sim_instruments.instruments.options import AnalyserOptions
from sim_instruments.instruments.settings import choice_setting, integer_setting, number_setting, switch_setting
from sim_instruments.instruments.surroundings import Surroundings
from sim_instruments.instruments.sweep import Sweep
from sim_instruments.scpi import Boolean, Choice, Command, Fault, Integer, Maybe, Number
from sim_instruments.scpi.formats import block, boolean, number, numbers

__all__ = ["SimulatedAnalyser"]

ERROR_PERIOD_HZ = 1.3e9
# Of what it is off by from level to level, where that is drawn.
RELATIVE_PERIOD_DB = 20.0
MARKERS = (1, 4)
# Level at the mixer, behind the attenuator, above which the reading is not to be trusted.
MIXER_MAX_DBM = 0.0
# With automatic attenuation the reference level comes to this at the mixer.
MIXER_AT_REFERENCE_DBM = -10.0
QUESTIONABLE_POWER = 0x0008
# A swept filter of bandwidth B settles while it is swept over: span / B^2, times this. Common practice, no source.
SWEEP_FACTOR = 2.0
REAL = {None: "f4", 32: "f4", 64: "f8"}


class SimulatedAnalyser(AcquiringInstrument):
    """
    Swept spectrum. A marker reads the last trace that was finished, as on the real thing: wait for the sweep first.

    Noise is the bench file's `noise_floor`; without one, 10 dB below `range_min` at 1 kHz resolution bandwidth and 10 dB of
    attenuation. It moves with both. What its mixer makes of several lines, by the bench file's intercepts, it shows among
    them: see MixerDistortion. A sweep takes the bench file's reading time, or longer where the filter needs it to settle.
    """

    model: ClassVar[str] = "Spectrum analyser"

    def __init__(
        self,
        name: str,
        settings: AnalyserSettings,
        options: AnalyserOptions,
        surroundings: Surroundings,
        *,
        seed: int,
        t: float,
    ) -> None:
        self._surroundings = surroundings
        self._accuracy_db = settings.accuracy_db
        # In 1 Hz and with 0 dB of attenuation.
        per_hz_dbm = settings.range_min_dbm - 10.0 - 30.0 - 10.0
        self._floor_dbm = per_hz_dbm if settings.noise_floor_dbm is None else settings.noise_floor_dbm
        self._distortion = MixerDistortion(seed, name, settings.intercept_dbm, settings.second_intercept_dbm)
        self._resolution_db = options.resolution_db
        self._noise_db = options.noise_db
        self._residual_hz, self._residual_dbm = options.residual_frequency_hz, options.residual_dbm
        self._reading_time_s = settings.reading_time_s if options.reading_time_s is None else options.reading_time_s
        self._error = error_within(seed, name, period=ERROR_PERIOD_HZ, errors=options.errors)
        # Of a difference of two levels it is the limit: each level has half of it, within the accuracy.
        is_drawn = options.errors == "as stated" and settings.relative_accuracy_db is not None
        self._half_relative_db = 0.5 * (settings.relative_accuracy_db or 0.0) if is_drawn else 0.0
        self._relative = StatedError(seed, name, "relative", period=RELATIVE_PERIOD_DB)
        self._noise = Noise(seed, name, "noise")
        low_hz, high_hz = settings.frequency_min_hz, settings.frequency_max_hz
        self._center = Number("HZ", low_hz, high_hz, 0.5 * (low_hz + high_hz), 1.0)
        self._span = Number("HZ", 0.0, high_hz - low_hz, high_hz - low_hz, 1.0)
        self._edge = Number("HZ", low_hz, high_hz, low_hz, 1.0)
        self._bandwidth = Number("HZ", 1.0, 10e6, 1e6, 1.0)
        self._reference = Number("DBM", -130.0, settings.input_max_dbm, 0.0, 0.01)
        highest_db = 70.0 if settings.attenuation_max_db is None else settings.attenuation_max_db
        step_db = 2.0 if settings.attenuation_step_db is None else settings.attenuation_step_db
        self._attenuation = Number("DB", 0.0, highest_db, min(10.0, highest_db), step_db)
        self._points = Integer(2, 100_001, 1001)
        super().__init__(name, seed=seed, maker=options.maker_text, t=t)
        self._default(t)

    def commands(self) -> list[Command]:
        bandwidth = "[:SENSe]:BANDwidth|BWIDth"
        marker = f"CALCulate:MARKer<{MARKERS[0]}:{MARKERS[1]}>"
        return [
            *self.trigger_commands(),
            number_setting("[:SENSe]:FREQuency:CENTer", self._center, lambda: self._center_hz, self._set_center),
            number_setting("[:SENSe]:FREQuency:SPAN", self._span, lambda: self._span_hz, self._set_span),
            Command("[:SENSe]:FREQuency:SPAN:FULL", act=self._set_full_span),
            number_setting("[:SENSe]:FREQuency:STARt", self._edge, lambda: self._edges_hz()[0], self._set_start),
            number_setting("[:SENSe]:FREQuency:STOP", self._edge, lambda: self._edges_hz()[1], self._set_stop),
            number_setting(f"{bandwidth}[:RESolution]", self._bandwidth, self._bandwidth_hz, self._set_bandwidth),
            switch_setting(f"{bandwidth}[:RESolution]:AUTO", lambda: self._manual_hz is None, self._set_auto_bandwidth),
            number_setting(f"{bandwidth}:VIDeo", self._bandwidth, lambda: self._video_hz, self._set_video),
            integer_setting("[:SENSe]:SWEep:POINts", self._points, lambda: self._count, self._set_count),
            Command("[:SENSe]:SWEep:TIME", ask=lambda _t: number(self.measuring_time_s())),
            choice_setting(
                "[:SENSe]:DETector[:FUNCtion]", Choice("AVERage", "POSitive"), lambda: self._detector, self._set_detector
            ),
            number_setting(
                "DISPlay[:WINDow<1:1>]:TRACe<1:1>:Y[:SCALe]:RLEVel",
                self._reference,
                lambda: self._reference_dbm,
                self._set_reference,
            ),
            number_setting("INPut:ATTenuation", self._attenuation, self._attenuation_db, self._set_attenuation),
            switch_setting("INPut:ATTenuation:AUTO", lambda: self._manual_db is None, self._set_auto_attenuation),
            choice_setting("UNIT:POWer", Choice("DBM"), lambda: "DBM", lambda _t, _word: None),
            Command(f"{marker}[:STATe]", act=self._set_marker, takes=(Boolean(),), ask=self._ask_marker),
            Command(
                f"{marker}:X",
                act=self._set_marker_x,
                takes=(self._center,),
                ask=self._ask_marker_x,
            ),
            Command(f"{marker}:Y", ask=self._ask_marker_y),
            Command(f"{marker}:MAXimum[:PEAK]", act=self._move_to_peak),
            Command("TRACe[:DATA]", ask=self._ask_trace, ask_takes=(Choice("TRACE1"),)),
            Command(
                "FORMat[:DATA]", act=self._set_format, takes=(Choice("ASCii", "REAL"), Maybe(Integer(0, 64, 0))),
                ask=lambda _t: self._format,
            ),
            choice_setting("FORMat:BORDer", Choice("NORMal", "SWAPped"), lambda: self._border, self._set_border),
        ]  # fmt: skip

    def reset(self, t: float) -> None:
        self._default(t)

    def questionable_condition(self, t: float) -> int:
        sweep = self._trace(t)
        return QUESTIONABLE_POWER if sweep is not None and sweep.mixer_dbm > MIXER_MAX_DBM else 0

    def _default(self, t: float) -> None:
        self._finished: Sweep | None = None
        self._pending: Sweep | None = None
        self.reset_trigger(t)
        self._center_hz, self._span_hz = self._center.default, self._span.default
        self._manual_hz: float | None = None
        self._video_hz = self._bandwidth.default
        self._count = self._points.default
        self._reference_dbm = self._reference.default
        self._manual_db: float | None = None
        self._markers_hz: dict[int, float] = {}
        self._format, self._dtype, self._border = "ASC,0", "", "NORM"
        self._detector = "AVER"

    # ------------------------------------------------------------------ sweeping

    def measuring_time_s(self) -> float:
        return max(self._reading_time_s, SWEEP_FACTOR * self._span_hz / self._bandwidth_hz() ** 2)

    def sample(self, t: float) -> None:
        attenuation_db, bandwidth_hz = self._attenuation_db(), self._bandwidth_hz()
        start_hz, stop_hz = self._edges_hz()
        lines = [
            *self._distortion.seen(self._surroundings.spectrum_at(self.name, t), attenuation_db),
            *self._own(attenuation_db),
        ]
        if self._half_relative_db > 0.0:
            lines = [
                (hz, level_dbm + self._half_relative_db * self._relative.at(level_dbm))
                for hz, level_dbm in lines
                if level_dbm > -math.inf
            ]
        self._pending = Sweep(
            lines=lines,
            start_hz=start_hz,
            stop_hz=stop_hz,
            points=self._count,
            bandwidth_hz=bandwidth_hz,
            attenuation_db=attenuation_db,
            floor_dbm=self._floor_dbm + 10.0 * math.log10(bandwidth_hz) + attenuation_db,
            is_peak=self._detector == "POS",
            gain_error_db=self._noise_db * self._noise(),
            error_db=lambda frequency_hz: (self._accuracy_db - self._half_relative_db) * self._error.at(frequency_hz),
            noise=self._noise,
        )

    def _own(self, attenuation_db: float) -> list[tuple[float, float]]:
        """What it shows with nothing connected, referred to its connector. [Hz, dBm]"""
        if self._residual_hz is None:
            return []
        return [(self._residual_hz, self._residual_dbm + attenuation_db)]

    def abort(self, t: float) -> None:
        if self._measured_at > t:
            self._pending = None
        super().abort(t)

    def make_stale(self, t: float) -> None:
        super().make_stale(t)
        self._pending = self._finished = None

    def _trace(self, t: float) -> Sweep | None:
        if self._continuous:
            self._begin(t)
            self._finished, self._pending, self._measured_at = self._pending, None, t
        if self._pending is not None and self._measured_at <= t:
            self._finished, self._pending = self._pending, None
        return self._finished

    # ------------------------------------------------------------------ markers and trace

    def _ask_marker(self, t: float, marker: int) -> str:
        return boolean(marker in self._markers_hz)

    def _set_marker(self, t: float, marker: int, on: bool) -> None:
        if on:
            self._markers_hz.setdefault(marker, self._center_hz)
        else:
            self._markers_hz.pop(marker, None)

    def _set_marker_x(self, t: float, marker: int, frequency_hz: float) -> None:
        start_hz, stop_hz = self._edges_hz()
        if not start_hz <= frequency_hz <= stop_hz:
            raise Fault(-222, f"marker {frequency_hz:.9g} HZ is not in {start_hz:.9g} to {stop_hz:.9g} HZ")
        self._markers_hz[marker] = frequency_hz

    def _ask_marker_x(self, t: float, marker: int) -> str:
        return number(self._markers_hz.get(marker, math.nan))

    def _ask_marker_y(self, t: float, marker: int) -> str:
        frequency_hz, sweep = self._markers_hz.get(marker), self._trace(t)
        if frequency_hz is None or sweep is None:
            return number(math.nan)
        if not sweep.start_hz <= frequency_hz <= sweep.stop_hz:
            return number(math.nan)
        return number(self._rounded(sweep.level_dbm(sweep.nearest(frequency_hz))))

    def _move_to_peak(self, t: float, marker: int) -> None:
        sweep = self._trace(t)
        if sweep is None:
            raise Fault(-230, "no trace")
        levels = sweep.levels_dbm()
        self._markers_hz[marker] = sweep.frequency_hz(levels.index(max(levels)))

    def _ask_trace(self, t: float, _trace: str) -> str:
        sweep = self._trace(t)
        if sweep is None:
            raise Fault(-230, "no trace")
        levels = [self._rounded(level_dbm) for level_dbm in sweep.levels_dbm()]
        if self._dtype:
            return block(levels, self._dtype, big_endian=self._border == "NORM")
        return numbers(levels)

    def _rounded(self, level_dbm: float) -> float:
        return round(level_dbm / self._resolution_db) * self._resolution_db

    # ------------------------------------------------------------------ settings

    def _edges_hz(self) -> tuple[float, float]:
        return self._center_hz - 0.5 * self._span_hz, self._center_hz + 0.5 * self._span_hz

    def _window(self, t: float, center_hz: float, span_hz: float) -> None:
        if (center_hz, span_hz) != (self._center_hz, self._span_hz):
            self._center_hz, self._span_hz = center_hz, span_hz
            self.make_stale(t)

    def _set_center(self, t: float, frequency_hz: float) -> None:
        self._window(t, frequency_hz, self._span_hz)

    def _set_span(self, t: float, span_hz: float) -> None:
        self._window(t, self._center_hz, span_hz)

    def _set_full_span(self, t: float) -> None:
        self._window(t, self._center.default, self._span.default)

    def _set_start(self, t: float, frequency_hz: float) -> None:
        stop_hz = max(self._edges_hz()[1], frequency_hz)
        self._window(t, 0.5 * (frequency_hz + stop_hz), stop_hz - frequency_hz)

    def _set_stop(self, t: float, frequency_hz: float) -> None:
        start_hz = min(self._edges_hz()[0], frequency_hz)
        self._window(t, 0.5 * (start_hz + frequency_hz), frequency_hz - start_hz)

    def _bandwidth_hz(self) -> float:
        if self._manual_hz is not None:
            return self._manual_hz
        # Coupled: a hundredth of the span, within what it has.
        return min(max(self._span_hz / 100.0, self._bandwidth.minimum), self._bandwidth.maximum)

    def _set_bandwidth(self, t: float, bandwidth_hz: float) -> None:
        if bandwidth_hz != self._manual_hz:
            self._manual_hz = bandwidth_hz
            self.make_stale(t)

    def _set_auto_bandwidth(self, t: float, on: bool) -> None:
        self._manual_hz = None if on else self._bandwidth_hz()
        self.make_stale(t)

    def _set_video(self, t: float, bandwidth_hz: float) -> None:
        self._video_hz = bandwidth_hz
        self.make_stale(t)

    def _set_detector(self, t: float, detector: str) -> None:
        if detector != self._detector:
            self._detector = detector
            self.make_stale(t)

    def _set_count(self, t: float, count: int) -> None:
        self._count = count
        self.make_stale(t)

    def _set_reference(self, t: float, *values: float) -> None:
        # The suffixes of WINDow and TRACe come before the level; there is one of each.
        reference_dbm = values[-1]
        if reference_dbm != self._reference_dbm:
            self._reference_dbm = reference_dbm
            self.make_stale(t)

    def _attenuation_db(self) -> float:
        if self._manual_db is not None:
            return self._manual_db
        wanted_db = 2.0 * math.ceil((self._reference_dbm - MIXER_AT_REFERENCE_DBM) / 2.0)
        return min(max(wanted_db, self._attenuation.minimum), self._attenuation.maximum)

    def _set_attenuation(self, t: float, attenuation_db: float) -> None:
        if attenuation_db != self._manual_db:
            self._manual_db = attenuation_db
            self.make_stale(t)

    def _set_auto_attenuation(self, t: float, on: bool) -> None:
        self._manual_db = None if on else self._attenuation_db()
        self.make_stale(t)

    def _set_format(self, t: float, kind: str, length: int | None) -> None:
        if kind == "ASC" and length in (None, 0):
            self._format, self._dtype = "ASC,0", ""
        elif kind == "REAL" and length in REAL:
            self._format, self._dtype = f"REAL,{length or 32}", REAL[length]
        else:
            raise Fault(-224, f"{kind},{length}")

    def _set_border(self, t: float, border: str) -> None:
        self._border = border
