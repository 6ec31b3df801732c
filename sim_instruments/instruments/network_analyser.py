"""
Two-port network analyser: four traces of complex data, each port driving in turn.

Nodes of SCPI-1999's SENSe, SOURce, OUTPut, FORMat and CALCulate:DATA; CALCulate:PARameter and SDATa are not in it, but what
such devices share. It has no error correction of its own: readings are raw.
"""

from __future__ import annotations

import math
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from benchkit.bench.model import NetworkAnalyserSettings
from sim_instruments.instruments.acquisition import AcquiringInstrument
from sim_instruments.instruments.network_drift import NetworkDrift
from sim_instruments.instruments.network_errors import NetworkErrors
from sim_instruments.instruments.noise import error_within, generator
from sim_instruments.instruments.options import NetworkAnalyserOptions
from sim_instruments.instruments.settings import choice_setting, integer_setting, number_setting, switch_setting
from sim_instruments.instruments.surroundings import Surroundings
from sim_instruments.scpi import Choice, Command, Fault, Integer, Many, Maybe, Number, Text
from sim_instruments.scpi.formats import block, number, numbers, quoted

__all__ = ["SimulatedNetworkAnalyser"]

TRACES = 4
PARAMETERS = {"S11": (0, 0), "S21": (1, 0), "S12": (0, 1), "S22": (1, 1)}
ERROR_PERIOD_HZ = 1.7e9
REAL = {None: "f4", 32: "f4", 64: "f8"}


class SimulatedNetworkAnalyser(AcquiringInstrument):
    """
    One INITiate makes as many sweeps as are averaged. Data are kept until a setting changes that they depend on.

    Noise falls with IF bandwidth, averages and level. With RF off a receiver has nothing to divide by: its ratios are noise
    over noise.
    """

    model: ClassVar[str] = "Network analyser"

    def __init__(
        self,
        name: str,
        settings: NetworkAnalyserSettings,
        options: NetworkAnalyserOptions,
        surroundings: Surroundings,
        *,
        seed: int,
        t: float,
    ) -> None:
        self._surroundings = surroundings
        self._options = options
        self._accuracy_db = 0.0 if options.ideal else settings.level_accuracy_db
        self._settling_time_s = settings.settling_time_s
        self._point_s = settings.reading_time_s if options.reading_time_s is None else options.reading_time_s
        self._stated_hz = settings.if_bandwidth_hz
        self._error = error_within(seed, name, period=ERROR_PERIOD_HZ, errors=options.errors)
        self._errors = NetworkErrors(seed, name, options)
        is_drawn = options.errors == "as stated" and not options.ideal
        self._drift = NetworkDrift(seed, name, settings.linearity_db or 0.0, settings.drift_db or 0.0, t) if is_drawn else None
        self._noise = generator(seed, name, "noise")
        low_hz, high_hz = settings.frequency_min_hz, settings.frequency_max_hz
        self._frequency = Number("HZ", low_hz, high_hz, low_hz, 0.001)
        self._stop = Number("HZ", low_hz, high_hz, high_hz, 0.001)
        self._points = Integer(1, settings.points_max, min(201, settings.points_max))
        self._bandwidth = Number("HZ", 1.0, 20e6, settings.if_bandwidth_hz, 1.0)
        self._average = Integer(1, 65536, 1)
        # It can do a little more than the bench file lets benchkit ask for, so that walls passed can be seen.
        low_dbm, high_dbm = settings.level_min_dbm - 10.0, settings.level_max_dbm + 5.0
        self._level = Number("DBM", low_dbm, high_dbm, low_dbm, 0.01)
        self._limit = Number("DBM", low_dbm, high_dbm, high_dbm, 0.01)
        self._has_limit = not settings.without_level_limit
        super().__init__(name, seed=seed, maker=options.maker_text, t=t)
        self._default(t)

    def commands(self) -> list[Command]:
        trace = f"CALCulate<1:{TRACES}>"
        bandwidth = "[:SENSe]:BANDwidth|BWIDth[:RESolution]"
        level = "[:SOURce]:POWer"
        commands = [
            *self.trigger_commands(),
            number_setting("[:SENSe]:FREQuency:STARt", self._frequency, lambda: self._start_hz, self._set_start),
            number_setting("[:SENSe]:FREQuency:STOP", self._stop, lambda: self._stop_hz, self._set_stop),
            choice_setting("[:SENSe]:FREQuency:MODE", Choice("SWEep", "LIST"), lambda: self._mode, self._set_mode),
            Command("[:SENSe]:LIST:FREQuency", act=self._set_list, takes=(Many(self._frequency),), ask=self._ask_list),
            Command("[:SENSe]:LIST:FREQuency:POINts", ask=lambda _t: str(len(self._list_hz))),
            integer_setting("[:SENSe]:SWEep:POINts", self._points, lambda: self._count, self._set_count),
            Command("[:SENSe]:SWEep:TIME", ask=lambda _t: number(self.measuring_time_s())),
            number_setting(bandwidth, self._bandwidth, lambda: self._bandwidth_hz, self._set_bandwidth),
            integer_setting("[:SENSe]:AVERage:COUNt", self._average, lambda: self._averages, self._set_averages),
            switch_setting("[:SENSe]:AVERage[:STATe]", lambda: self._is_averaging, self._set_averaging),
            switch_setting("[:SENSe]:CORRection[:STATe]", lambda: False, self._set_correction),
            number_setting(f"{level}[:LEVel][:IMMediate][:AMPLitude]", self._level, lambda: self._level_dbm, self._set_level),
            switch_setting("OUTPut[:STATe]", lambda: self._on, self._set_output),
            Command(f"{trace}:PARameter:DEFine", act=self._define, takes=(Text(),), ask=self._ask_definition),
            Command(f"{trace}:DATA", ask=self._ask_data, ask_takes=(Choice("SDATa"),)),
            Command(
                "FORMat[:DATA]", act=self._set_format, takes=(Choice("ASCii", "REAL"), Maybe(Integer(0, 64, 0))),
                ask=lambda _t: self._format,
            ),
            choice_setting("FORMat:BORDer", Choice("NORMal", "SWAPped"), lambda: self._border, self._set_border),
        ]  # fmt: skip
        if self._has_limit:
            commands += [
                number_setting(f"{level}:LIMit[:AMPLitude]", self._limit, lambda: self._limit_dbm, self._set_limit),
                switch_setting(f"{level}:LIMit:STATe", lambda: self._limit_on, self._set_limit_state),
            ]
        return commands

    def reset(self, t: float) -> None:
        self._default(t)

    def _default(self, t: float) -> None:
        self._raw: NDArray[np.complex128] | None = None
        self.reset_trigger(t)
        self._start_hz, self._stop_hz, self._count = self._frequency.default, self._stop.default, self._points.default
        self._mode = "SWE"
        self._list_hz: tuple[float, ...] = ()
        self._bandwidth_hz = self._bandwidth.default
        self._averages, self._is_averaging = 1, False
        self._level_dbm, self._limit_dbm, self._limit_on = self._level.default, self._limit.default, False
        self._on = False
        self._defined = list(PARAMETERS)
        self._format, self._dtype, self._border = "ASC,0", "", "NORM"
        self._apply(t)

    def _apply(self, t: float) -> None:
        first_hz = float(self._grid()[0])
        level_dbm = self._level_dbm + self._accuracy_db * self._error.at(first_hz)
        self._surroundings.source_changed(self.name, t, frequency_hz=first_hz, level_dbm=level_dbm, on=self._on)
        self._settle(t, self._settling_time_s)

    def _grid(self) -> NDArray[np.float64]:
        if self._mode == "LIST" and self._list_hz:
            return np.array(self._list_hz)
        return np.linspace(self._start_hz, self._stop_hz, self._count)

    # ------------------------------------------------------------------ sweeping

    def measuring_time_s(self) -> float:
        sweeps = self._averages if self._is_averaging else 1
        return self._point_s * self._stated_hz / self._bandwidth_hz * len(self._grid()) * sweeps

    def sample(self, t: float) -> None:
        grid = self._grid()
        true = self._surroundings.network_at(self.name, t, grid)
        if not self._on:
            self._raw = self._normal(true.shape) / self._normal(true.shape)
            return
        raw = self._errors.measured(true, grid)
        if self._drift is not None:
            raw = self._drift.seen(raw, grid, t)
        if not self._options.ideal:
            sweeps = self._averages if self._is_averaging else 1
            floor_db = self._options.noise_floor_dbm + 10.0 * math.log10(self._bandwidth_hz / 10.0) - self._level_dbm
            floor = 10.0 ** (floor_db / 20.0)
            relative = self._options.trace_noise * math.sqrt(self._bandwidth_hz / 1e3)
            noise = floor * self._normal(raw.shape) + relative * np.abs(raw) * self._normal(raw.shape)
            raw = raw + noise / math.sqrt(sweeps)
        self._raw = raw

    def make_stale(self, t: float) -> None:
        super().make_stale(t)
        self._raw = None

    def _normal(self, shape: tuple[int, ...]) -> NDArray[np.complex128]:
        drawn = self._noise.standard_normal((2, *shape))
        normal: NDArray[np.complex128] = (drawn[0] + 1j * drawn[1]) / math.sqrt(2.0)
        return normal

    def _ask_data(self, t: float, trace: int, _kind: str) -> str:
        self.fetch(t)
        assert self._raw is not None
        i, j = PARAMETERS[self._defined[trace - 1]]
        values = self._raw[:, i, j]
        return self._array(np.column_stack((values.real, values.imag)).ravel())

    def _array(self, values: NDArray[np.float64]) -> str:
        if self._dtype:
            return block(values, self._dtype, big_endian=self._border == "NORM")
        return numbers(values.tolist())

    # ------------------------------------------------------------------ settings

    def _set_start(self, t: float, frequency_hz: float) -> None:
        self._sweep(t, frequency_hz, max(frequency_hz, self._stop_hz), self._count)

    def _set_stop(self, t: float, frequency_hz: float) -> None:
        self._sweep(t, min(frequency_hz, self._start_hz), frequency_hz, self._count)

    def _set_count(self, t: float, count: int) -> None:
        self._sweep(t, self._start_hz, self._stop_hz, count)

    def _sweep(self, t: float, start_hz: float, stop_hz: float, count: int) -> None:
        if (start_hz, stop_hz, count) != (self._start_hz, self._stop_hz, self._count):
            self._start_hz, self._stop_hz, self._count = start_hz, stop_hz, count
            self.make_stale(t)
            self._apply(t)

    def _set_mode(self, t: float, mode: str) -> None:
        if mode == "LIST" and not self._list_hz:
            raise Fault(-221, "the list is empty")
        if mode != self._mode:
            self._mode = mode
            self.make_stale(t)
            self._apply(t)

    def _set_list(self, t: float, frequencies_hz: tuple[float, ...]) -> None:
        if len(frequencies_hz) > self._points.limit("MAX"):
            raise Fault(-223, f"{len(frequencies_hz)} points")
        self._list_hz = frequencies_hz
        self.make_stale(t)
        self._apply(t)

    def _ask_list(self, t: float) -> str:
        return self._array(np.array(self._list_hz))

    def _set_bandwidth(self, t: float, bandwidth_hz: float) -> None:
        # It has the steps 1, 1.5, 2, 3, 5 and 7 of each decade, and takes the nearest.
        decade = 10.0 ** math.floor(math.log10(bandwidth_hz))
        steps = [step * decade for step in (1.0, 1.5, 2.0, 3.0, 5.0, 7.0, 10.0)]
        self._bandwidth_hz = min(steps, key=lambda step_hz: abs(math.log(step_hz / bandwidth_hz)))
        self.make_stale(t)

    def _set_averages(self, t: float, averages: int) -> None:
        self._averages = averages
        self.make_stale(t)

    def _set_averaging(self, t: float, on: bool) -> None:
        self._is_averaging = on
        self.make_stale(t)

    def _set_correction(self, t: float, on: bool) -> None:
        if on:
            raise Fault(-221, "there is no calibration to correct with")

    def _define(self, t: float, trace: int, parameter: str) -> None:
        if parameter.upper() not in PARAMETERS:
            raise Fault(-224, parameter)
        self._defined[trace - 1] = parameter.upper()

    def _ask_definition(self, t: float, trace: int) -> str:
        return quoted(self._defined[trace - 1])

    def _set_level(self, t: float, level_dbm: float) -> None:
        if self._limit_on and level_dbm > self._limit_dbm:
            raise Fault(-222, f"{level_dbm:.4g} DBM is above POWer:LIMit {self._limit_dbm:.4g} DBM")
        if level_dbm != self._level_dbm:
            self._level_dbm = level_dbm
            self.make_stale(t)
            self._apply(t)

    def _set_limit(self, t: float, limit_dbm: float) -> None:
        self._check_limit(limit_dbm, self._limit_on)
        self._limit_dbm = limit_dbm

    def _set_limit_state(self, t: float, on: bool) -> None:
        self._check_limit(self._limit_dbm, on)
        self._limit_on = on

    def _check_limit(self, limit_dbm: float, on: bool) -> None:
        if on and self._level_dbm > limit_dbm:
            raise Fault(-221, f"POWer is {self._level_dbm:.4g} DBM, above the limit {limit_dbm:.4g} DBM")

    def _set_output(self, t: float, on: bool) -> None:
        if on != self._on:
            self._on = on
            self.make_stale(t)
            self._apply(t)

    def _set_format(self, t: float, kind: str, length: int | None) -> None:
        if kind == "ASC" and length in (None, 0):
            self._format, self._dtype = "ASC,0", ""
        elif kind == "REAL" and length in REAL:
            self._format, self._dtype = f"REAL,{length or 32}", REAL[length]
        else:
            raise Fault(-224, f"{kind},{length}")

    def _set_border(self, t: float, border: str) -> None:
        self._border = border
