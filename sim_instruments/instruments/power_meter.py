"""RF power meter with an averaging sensor. SCPI-1999 has no class for it; nodes are those of MEASure and SENSe."""

from __future__ import annotations

import math
from typing import ClassVar

from benchkit.bench.model import PowerMeterSettings
from sim_instruments.instruments.acquisition import AcquiringInstrument
from sim_instruments.instruments.noise import Noise, StatedError, error_within
from sim_instruments.instruments.options import PowerMeterOptions
from sim_instruments.instruments.settings import choice_setting, integer_setting, number_setting, switch_setting
from sim_instruments.instruments.surroundings import Surroundings
from sim_instruments.scpi import AnyNumber, Boolean, Channels, Choice, Command, Fault, Integer, Maybe, Number
from sim_instruments.scpi.formats import boolean, number
from sim_instruments.scpi.tokens import NumberToken, Token, WordToken

__all__ = ["SimulatedPowerMeter"]

ERROR_PERIOD_HZ = 900e6
# Of the linearity, where that is drawn.
LINEARITY_PERIOD_DB = 16.0
# A zero drifts, and zeroing leaves a rest: part of the noise at the floor.
REST_AFTER_ZEROING = 0.2
OFFSET_AT_POWER_ON = 1.0
# With this much more than the floor at its connector a zero would be wrong.
ZERO_LIMIT = 10.0
QUESTIONABLE_POWER = 0x0008


class SimulatedPowerMeter(AcquiringInstrument):
    """
    Total power at its connector, averaged.

    The sensor is linear in watts: its noise and its zero offset are powers, so that a reading near the floor wanders,
    and below zero there is no level to report (9.91E37). Above `range_max` it reports overload (9.9E37).
    """

    model: ClassVar[str] = "Power meter"

    def __init__(
        self,
        name: str,
        settings: PowerMeterSettings,
        options: PowerMeterOptions,
        surroundings: Surroundings,
        *,
        seed: int,
        t: float,
    ) -> None:
        self._surroundings = surroundings
        self._accuracy_db = settings.accuracy_db
        self._range_max_mw = 10.0 ** (settings.range_max_dbm / 10.0)
        self._resolution_db = options.resolution_db
        self._noise_of_reading = options.noise_db * math.log(10.0) / 10.0
        self._noise_floor_mw = 10.0 ** (settings.range_min_dbm / 10.0) * options.floor_noise_percent / 100.0
        self._reading_time_s = settings.reading_time_s if options.reading_time_s is None else options.reading_time_s
        self._zeroing_time_s = options.zeroing_time_s
        self._error = error_within(seed, name, period=ERROR_PERIOD_HZ, errors=options.errors)
        self._noise = Noise(seed, name, "noise")
        self._offset_mw = OFFSET_AT_POWER_ON * self._noise_floor_mw * self._noise()
        self._half_linearity_db = 0.0
        self._linearity = StatedError(seed, name, "linearity", period=LINEARITY_PERIOD_DB)
        self._zeros: Noise | None = None
        if options.errors == "as stated":
            if settings.noise_db is not None:
                self._noise_of_reading = settings.noise_db * math.log(10.0) / 10.0
            # Of a difference of two levels it is the limit: each level has half of it, within the accuracy.
            self._half_linearity_db = 0.5 * (settings.linearity_db or 0.0)
            if settings.zero_dbm is not None:
                self._zero_mw = math.pow(10.0, settings.zero_dbm / 10.0)
                self._zeros = Noise(seed, name, "zero")
                self._offset_mw = self._drawn_zero_mw()
        middle_hz = 0.5 * (settings.frequency_min_hz + settings.frequency_max_hz)
        self._frequency = Number("HZ", settings.frequency_min_hz, settings.frequency_max_hz, middle_hz)
        self._averages = Integer(1, 1024, 1)
        super().__init__(name, seed=seed, maker=options.maker_text, t=t)
        self._default(t)

    def commands(self) -> list[Command]:
        function = "[:SCALar][:POWer][:AC]"
        measure = (Maybe(AnyNumber()), Maybe(AnyNumber()), Maybe(Channels(frozenset({1}))))
        return [
            *self.trigger_commands(),
            Command(f"MEASure{function}", ask=self._measure, ask_takes=measure),
            Command(f"READ{function}", ask=self._read, ask_takes=measure),
            Command(f"FETCh{function}", ask=self._fetch, ask_takes=measure),
            Command(f"CONFigure{function}", act=self._configure, takes=measure),
            number_setting("[:SENSe]:FREQuency[:CW|:FIXed]", self._frequency, lambda: self._frequency_hz, self._set_frequency),
            switch_setting("[:SENSe]:AVERage[:STATe]", lambda: self._averaging, self._set_averaging),
            integer_setting("[:SENSe]:AVERage:COUNt", self._averages, lambda: self._count, self._set_count),
            switch_setting("[:SENSe]:AVERage:COUNt:AUTO", lambda: False, self._set_count_auto),
            choice_setting("[:SENSe]:AVERage:TCONtrol", Choice("REPeat"), lambda: "REP", lambda _t, _word: None),
            choice_setting("UNIT:POWer", Choice("DBM", "W"), lambda: self._unit, self._set_unit),
            Command(
                "CALibration:ZERO:AUTO",
                act=self._set_zero,
                takes=(AnyNumber(),),
                ask=lambda _t: boolean(False),
            ),
        ]

    def reset(self, t: float) -> None:
        self._default(t)

    def questionable_condition(self, t: float) -> int:
        return QUESTIONABLE_POWER if self._has_result and not math.isfinite(self._result_mw) else 0

    def _default(self, t: float) -> None:
        self.reset_trigger(t)
        self._result_mw = math.nan
        self._frequency_hz = self._frequency.default
        self._averaging = True
        self._count = self._averages.default
        self._unit = "DBM"

    # ------------------------------------------------------------------ reading

    def measuring_time_s(self) -> float:
        return self._reading_time_s * (self._count if self._averaging else 1)

    def sample(self, t: float) -> None:
        level_dbm = self._surroundings.power_at(self.name, t)
        error_db = (self._accuracy_db - self._half_linearity_db) * self._error.at(self._frequency_hz)
        if self._half_linearity_db > 0.0 and level_dbm > -math.inf:
            error_db += self._half_linearity_db * self._linearity.at(level_dbm)
        true_mw = 10.0 ** ((level_dbm + error_db) / 10.0) if level_dbm > -math.inf else 0.0
        if true_mw > self._range_max_mw:
            self._result_mw = math.inf
            return
        averaging = math.sqrt(self._count) if self._averaging else 1.0
        noise = self._noise
        self._result_mw = (
            true_mw * (1.0 + self._noise_of_reading * noise() / averaging)
            + self._noise_floor_mw * noise() / averaging
            + self._offset_mw
        )

    def _answer(self) -> str:
        power_mw = self._result_mw
        if self._unit == "W":
            return number(power_mw / 1000.0)
        if power_mw <= 0.0:
            return number(math.nan)
        if power_mw == math.inf:
            return number(math.inf)
        return number(round(10.0 * math.log10(power_mw) / self._resolution_db) * self._resolution_db)

    def _fetch(self, t: float, *_expected: object) -> str:
        self.fetch(t)
        return self._answer()

    def _read(self, t: float, *_expected: object) -> str:
        self.read(t)
        return self._answer()

    def _measure(self, t: float, *expected: object) -> str:
        self._configure(t, *expected)
        return self._read(t)

    def _configure(self, t: float, *_expected: object) -> None:
        """CONFigure: single, immediate; correction frequency and averaging are left."""
        self.reset_trigger(t)

    # ------------------------------------------------------------------ settings

    def _set_frequency(self, t: float, frequency_hz: float) -> None:
        if frequency_hz != self._frequency_hz:
            self._frequency_hz = frequency_hz
            self.make_stale(t)

    def _set_averaging(self, t: float, on: bool) -> None:
        self._averaging = on
        self.make_stale(t)

    def _set_count(self, t: float, count: int) -> None:
        self._count = count
        self.make_stale(t)

    def _set_count_auto(self, t: float, on: bool) -> None:
        if on:
            raise Fault(-224, "only OFF: the number of averages is set")

    def _set_unit(self, t: float, unit: str) -> None:
        self._unit = unit

    def _set_zero(self, t: float, token: Token) -> None:
        if isinstance(token, NumberToken) or token == WordToken("OFF"):
            if Boolean().read(token):
                raise Fault(-224, "zeroing is done ONCE")
            return
        if token != WordToken("ONCE"):
            raise Fault(-141, str(token[0]))
        true_mw = 10.0 ** (self._surroundings.power_at(self.name, t) / 10.0)
        if true_mw > ZERO_LIMIT * max(self._noise_floor_mw, 1e-12):
            raise Fault(-340, "power at the sensor while zeroing")
        self.make_stale(t)
        self._measured_at = t + self._zeroing_time_s
        self._offset_mw = (
            REST_AFTER_ZEROING * self._noise_floor_mw * self._noise() if self._zeros is None else self._drawn_zero_mw()
        )

    def shift_zero(self, by_mw: float) -> None:
        """What a draught or a warm hand does; until it is zeroed."""
        self._offset_mw += by_mw

    def _drawn_zero_mw(self) -> float:
        """Anywhere within the stated limit, equally likely: what lies below a normal number is uniform."""
        assert self._zeros is not None
        return self._zero_mw * math.erf(self._zeros() / math.sqrt(2.0))
