"""Thermal chamber. The set point follows SOURce:TEMPerature; rate and running are device-specific, as on all."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

from benchkit.bench.model import ChamberSettings
from sim_instruments.instruments.instrument import SimulatedInstrument
from sim_instruments.instruments.noise import Noise, SystematicError
from sim_instruments.instruments.options import ChamberOptions
from sim_instruments.instruments.settings import choice_setting, number_setting, switch_setting
from sim_instruments.instruments.surroundings import Surroundings
from sim_instruments.scpi import AnyNumber, Choice, Command, Fault, LimitWord, Maybe, Number
from sim_instruments.scpi.formats import boolean, number
from sim_instruments.scpi.tokens import NumberToken, Token

__all__ = ["SimulatedChamber"]

ERROR_PERIOD_K = 130.0
START_DEGC = 25.0
SUFFIX_OF_UNIT = {"C": "CEL", "F": "FAR", "K": "K"}
QUESTIONABLE_TEMPERATURE = 0x0010


class SimulatedChamber(SimulatedInstrument):
    """
    Set point, ramp rate, temperature limits, running or not; the air temperature is measured.

    Temperatures go in and out in UNIT:TEMPerature unless a suffix says otherwise; the rate is in kelvins per minute
    always. A set point outside the limits is refused (-222), and while it runs so are limits that would leave the set
    point outside (-221). Air outside the limits stops the chamber, and it stays stopped until the trip is cleared.
    """

    model: ClassVar[str] = "Thermal chamber"

    def __init__(
        self,
        name: str,
        settings: ChamberSettings,
        options: ChamberOptions,
        surroundings: Surroundings,
        *,
        seed: int,
        t: float,
    ) -> None:
        self._surroundings = surroundings
        self._accuracy_k = settings.accuracy_k
        self._resolution_k = options.resolution_k
        self._noise_k = options.noise_k
        self._reading_time_s = settings.reading_time_s if options.reading_time_s is None else options.reading_time_s
        self._unit_at_start = options.temperature_unit
        self._has_limits = not settings.without_temperature_limits
        self._error = SystematicError(seed, name, period=ERROR_PERIOD_K)
        self._noise = Noise(seed, name, "noise")
        low, high = settings.temperature_min_degc, settings.temperature_max_degc
        self._setpoint = Number("CEL", low, high, min(max(START_DEGC, low), high), 0.01)
        self._low = Number("CEL", low, high, low, 0.01)
        self._high = Number("CEL", low, high, high, 0.01)
        fastest = max(options.ramp_max_k_per_min, settings.ramp_k_per_min)
        self._rate = Number("K/MIN", 0.01, fastest, settings.ramp_k_per_min, 0.01)
        super().__init__(name, seed=seed, maker=options.maker_text, t=t)
        self._default(t)

    def commands(self) -> list[Command]:
        commands = [
            self._temperature("[:SOURce]:TEMPerature[:SPOint]", self._setpoint, "_setpoint_degc", self._set_setpoint),
            number_setting("[:SOURce]:TEMPerature:RATE", self._rate, lambda: self._rate_k_per_min, self._set_rate),
            switch_setting("OUTPut[:STATe]", lambda: self._running, self._set_running),
            choice_setting(
                "UNIT:TEMPerature", Choice("K", synonyms={"C": "C", "CEL": "C", "F": "F", "FAR": "F"}),
                lambda: self._unit, self._set_unit,
            ),
            Command("MEASure[:SCALar]:TEMPerature[:AIR]", ask=self._measure),
        ]  # fmt: skip
        if self._has_limits:
            protection = "[:SOURce]:TEMPerature:PROTection"
            commands += [
                self._temperature(f"{protection}:HIGH[:LEVel]", self._high, "_high_degc", self._set_high),
                self._temperature(f"{protection}:LOW[:LEVel]", self._low, "_low_degc", self._set_low),
                Command(f"{protection}:TRIPped", ask=self._ask_tripped),
                Command(f"{protection}:CLEar", act=self._clear_trip),
            ]
        return commands

    @property
    def told(self) -> tuple[float, float, bool]:
        """Set point, ramp and running, as it was told. [degC, K/min]"""
        return self._setpoint_degc, self._rate_k_per_min, self._running

    def watch(self, t: float) -> None:
        """Its temperature limits act whether or not somebody asks. [s]"""
        self._guard(t)

    def reset(self, t: float) -> None:
        self._default(t)

    def questionable_condition(self, t: float) -> int:
        self._guard(t)
        return QUESTIONABLE_TEMPERATURE if self._tripped else 0

    def _default(self, t: float) -> None:
        self._unit: str = self._unit_at_start
        self._setpoint_degc = self._setpoint.default
        self._low_degc, self._high_degc = self._low.default, self._high.default
        self._rate_k_per_min = self._rate.default
        self._running = False
        self._tripped = False
        self._apply(t)

    def _apply(self, t: float) -> None:
        self._surroundings.chamber_changed(
            t, setpoint_degc=self._setpoint_degc, ramp_k_per_min=self._rate_k_per_min, running=self._running
        )

    # ------------------------------------------------------------------ protection and reading

    def _guard(self, t: float) -> float:
        """The air as it is; outside the limits the chamber stops."""
        air_degc = self._surroundings.air_temperature(t)
        if self._running and self._has_limits and not self._low_degc <= air_degc <= self._high_degc:
            self._running, self._tripped = False, True
            self._apply(t)
        return air_degc

    def _measure(self, t: float) -> str:
        air_degc = self._guard(t)
        reading_degc = air_degc + self._accuracy_k * self._error.at(air_degc) + self._noise_k * self._noise()
        start = max(t, self._measured_at)
        self._measured_at = start + self._reading_time_s
        self._hold(self._measured_at)
        return self._format(round(reading_degc / self._resolution_k) * self._resolution_k)

    def _ask_tripped(self, t: float) -> str:
        self._guard(t)
        return boolean(self._tripped)

    def _clear_trip(self, t: float) -> None:
        self._tripped = False

    # ------------------------------------------------------------------ settings

    def _set_setpoint(self, t: float, setpoint_degc: float) -> None:
        if self._has_limits and not self._low_degc <= setpoint_degc <= self._high_degc:
            raise Fault(-222, f"{setpoint_degc:.6g} CEL is outside the limits {self._low_degc:.6g} to {self._high_degc:.6g} CEL")
        self._setpoint_degc = setpoint_degc
        self._apply(t)

    def _set_high(self, t: float, high_degc: float) -> None:
        if self._running and high_degc < self._setpoint_degc:
            raise Fault(-221, f"the set point {self._setpoint_degc:.6g} CEL is above this")
        self._high_degc = high_degc

    def _set_low(self, t: float, low_degc: float) -> None:
        if self._running and low_degc > self._setpoint_degc:
            raise Fault(-221, f"the set point {self._setpoint_degc:.6g} CEL is below this")
        self._low_degc = low_degc

    def _set_rate(self, t: float, rate_k_per_min: float) -> None:
        self._rate_k_per_min = rate_k_per_min
        self._apply(t)

    def _set_running(self, t: float, on: bool) -> None:
        if on:
            self._guard(t)
            if self._tripped:
                raise Fault(-221, "a temperature limit tripped; clear it first")
            if self._has_limits and not self._low_degc <= self._setpoint_degc <= self._high_degc:
                raise Fault(-221, "the set point is outside the limits")
        self._running = on
        self._apply(t)

    def _set_unit(self, t: float, unit: str) -> None:
        self._unit = unit

    # ------------------------------------------------------------------ units

    def _temperature(self, pattern: str, limits: Number, attribute: str, put: Callable[[float, float], None]) -> Command:
        def act(t: float, token: Token) -> None:
            if isinstance(token, NumberToken) and not token.suffix:
                token = NumberToken(token.value, SUFFIX_OF_UNIT[self._unit])
            put(t, limits.read(token))

        def ask(_t: float, word: str | None) -> str:
            return self._format(getattr(self, attribute) if word is None else limits.limit(word))

        return Command(pattern, act=act, takes=(AnyNumber(),), ask=ask, ask_takes=(Maybe(LimitWord()),))

    def _format(self, temperature_degc: float) -> str:
        if self._unit == "F":
            return number(temperature_degc * 1.8 + 32.0)
        return number(temperature_degc + 273.15 if self._unit == "K" else temperature_degc)
