"""Thermal chambers: a set-point for the air, a rate, limits, and the air's temperature."""

from __future__ import annotations

import math
from abc import abstractmethod
from typing import ClassVar

from benchkit.errors import InstrumentError, ProtectionError, ReplyError
from benchkit.link import Link
from benchkit.roles.limits import bench_key, outside
from benchkit.roles.reading import ReadingInstrument
from benchkit.roles.settings import ChamberSettings
from benchkit.roles.units import TEMPERATURE_UNITS, TemperatureUnit

__all__ = ["Chamber"]


class Chamber(ReadingInstrument):
    """
    A chamber. Temperatures here are always in degrees Celsius; the instrument's own unit is asked, never assumed.

    It is never reset (*RST), and prepare() neither starts nor stops it: it may be holding a part at temperature, and
    a jump or a slow warming with its condensation is worse than leaving it as somebody meant it.
    """

    ROLE: ClassVar[str] = "chamber"
    VALUES: ClassVar[dict[str, str]] = {"temperature_unit": "", "ramp_unit": "K", "limit_resolution_k": "0.1"}
    """
    `temperature_unit`: C, F or K for a chamber that cannot be asked; empty: ask. `ramp_unit`: of the rate, per
    minute, likewise;
    empty: that of the temperatures. `limit_resolution_k`: how far limits may read back from what was set.
    """

    settings: ChamberSettings

    def __init__(self, name: str, link: Link, settings: ChamberSettings) -> None:
        super().__init__(name, link, settings)
        self._range_degc = (settings.temperature_min_degc, settings.temperature_max_degc)
        self._ramp_max_k_per_min = settings.ramp_k_per_min
        self._without_limits = settings.without_temperature_limits
        self._limit_resolution_k = self._value_number("limit_resolution_k")
        self._reading_timeout_s = settings.timeout_s + settings.reading_time_s
        self._allowed_degc = self._range_degc
        self._allowed_sources = (bench_key(name, "temperature_min"), bench_key(name, "temperature_max"))
        self._temperature_degc: float | None = None
        self._ramp_k_per_min: float | None = None
        self._limits_degc: tuple[float, float] | None = None
        self._unit: TemperatureUnit | None = None

    @property
    def temperature_setpoint_degc(self) -> float:
        """What was set last; NaN when it is not known. [degC]"""
        return math.nan if self._temperature_degc is None else self._temperature_degc

    def set_temperature(self, temperature_degc: float) -> None:
        """
        Set the set-point of the air. [degC]

        Raises:
            LimitError: Outside temperature_min..temperature_max of the bench file, or the limits that were set.
        """
        if temperature_degc == self._temperature_degc:
            return
        low_degc, high_degc = self._allowed_degc
        if not low_degc <= temperature_degc <= high_degc:
            raise outside(f"temperature of {self.name}", temperature_degc, low_degc, high_degc, "°C", *self._allowed_sources)
        unit = self._known_unit()
        self._temperature_degc = None
        self._set_temperature(unit.from_degc(temperature_degc))
        self._temperature_degc = temperature_degc
        self._note("temperature_degc", temperature_degc)

    def set_ramp(self, ramp_k_per_min: float) -> None:
        """
        Set the rate at which the air goes to its set-point. [K/min]

        Raises:
            LimitError: Not above zero, or faster than `ramp` of the bench file.
        """
        if ramp_k_per_min == self._ramp_k_per_min:
            return
        if not 0.0 < ramp_k_per_min <= self._ramp_max_k_per_min:
            source = bench_key(self.name, "ramp")
            raise outside(
                f"ramp of {self.name}", ramp_k_per_min, math.ulp(0.0), self._ramp_max_k_per_min, "K/min", source, source
            )
        unit = self._unit_named(self._values["ramp_unit"]) if self._values["ramp_unit"] else self._known_unit()
        self._ramp_k_per_min = None
        self._set_ramp(unit.from_kelvins(ramp_k_per_min))
        self._ramp_k_per_min = ramp_k_per_min
        self._note("ramp_k_per_min", ramp_k_per_min)

    def set_limits(self, low_degc: float, high_degc: float) -> None:
        """
        Set the temperatures at which the chamber itself gives up, and read them back. [degC]

        With `without_temperature_limits` in the bench file nothing is sent; set-points outside are refused here all
        the same.

        Raises:
            LimitError: Outside temperature_min..temperature_max of the bench file, or low above high.
            ProtectionError: They read back otherwise, by more than the instrument's resolution.
        """
        least_degc, most_degc = self._range_degc
        sources = (bench_key(self.name, "temperature_min"), bench_key(self.name, "temperature_max"))
        for what, value in (("low limit", low_degc), ("high limit", high_degc)):
            if not least_degc <= value <= most_degc:
                raise outside(f"{what} of {self.name}", value, least_degc, most_degc, "°C", *sources)
        if low_degc >= high_degc:
            raise outside(
                f"low limit of {self.name}",
                low_degc,
                least_degc,
                high_degc,
                "°C",
                sources[0],
                "the high limit asked for",
            )
        if (low_degc, high_degc) == self._limits_degc:
            return
        if not self._without_limits:
            self._limits_degc = None
            unit = self._known_unit()
            self._set_limits(unit.from_degc(low_degc), unit.from_degc(high_degc))
            self._require_limits(low_degc, high_degc, f"further than its resolution {self._limit_resolution_k:g} K")
        self._limits_degc = self._allowed_degc = (low_degc, high_degc)
        self._allowed_sources = (
            sources[0] if low_degc == least_degc else f"low limit of {self.name}, set before",
            sources[1] if high_degc == most_degc else f"high limit of {self.name}, set before",
        )
        self._note("limits_degc", (low_degc, high_degc))

    def check_limits(self) -> None:
        """
        Read back the limits that were set, whatever is remembered.

        Raises:
            ProtectionError: They read back otherwise than they were set.
        """
        if self._limits_degc is None or self._without_limits:
            return
        try:
            self._require_limits(
                *self._limits_degc, "set and verified before: was the chamber switched off and on, or set by hand?"
            )
        except ProtectionError:
            self.forget_settings()
            raise

    def _require_limits(self, low_degc: float, high_degc: float, why: str) -> None:
        unit = self._known_unit()
        low, high = self._ask_limits()
        for what, actual_degc, asked_degc in (
            ("low", unit.to_degc(low), low_degc),
            ("high", unit.to_degc(high), high_degc),
        ):
            if not abs(actual_degc - asked_degc) <= self._limit_resolution_k * (1 + 1e-9):
                raise ProtectionError(
                    self.name,
                    f"{what} temperature limit reads back as {actual_degc:.6g} °C instead of {asked_degc:.6g} °C, {why}",
                )

    def start(self) -> None:
        """Let it condition: from here on the air goes to the set-point."""
        self._start()
        self._note("conditioning", "on")

    def stop(self) -> None:
        """Let it rest: neither heating nor cooling."""
        self._stop()
        self._note("conditioning", "off")

    def is_running(self) -> bool:
        """Ask whether it is conditioning."""
        return self._ask_running()

    def measure_air(self) -> float:
        """Read the air's temperature, and wait for it. [degC]"""
        self.arm()
        return self.collect()

    def arm(self) -> None:
        """Ask for the air's temperature."""
        self._known_unit()
        self._arm(self._air_question())

    def collect(self) -> float:
        """
        The air's temperature. [degC]

        Raises:
            ReplyError: Not a temperature; a chamber that does not know its air's is not to be trusted with a part.
        """
        question, reply = self._collect()
        unit = self._unit
        value = self._number(question, reply)
        if unit is None or not math.isfinite(value):
            raise self._bad_reply(question, reply, "no temperature")
        return unit.to_degc(value)

    def forget_settings(self) -> None:
        self._temperature_degc = self._ramp_k_per_min = self._limits_degc = self._unit = None

    def missing_protections(self) -> tuple[str, ...]:
        if not self._without_limits:
            return ()
        return (f"{self.name}: no temperature limits of its own ({bench_key(self.name, 'without_temperature_limits')})",)

    def _make_safe(self) -> None:
        self.stop()
        if self._ask_running():
            raise InstrumentError(self.name, "reads as still conditioning after it was stopped")

    def _prepare(self) -> None:
        self._configure()
        self._known_unit()

    def _known_unit(self) -> TemperatureUnit:
        if self._unit is None:
            self._unit = self._unit_named(self._values["temperature_unit"] or self._ask_unit())
        return self._unit

    def _unit_named(self, word: str) -> TemperatureUnit:
        try:
            return TEMPERATURE_UNITS[word.strip().upper()]
        except KeyError:
            raise ReplyError(
                self.name, f"its temperature unit is {word!r}; only {', '.join(TEMPERATURE_UNITS)} are understood"
            ) from None

    @abstractmethod
    def _ask_unit(self) -> str:
        """The unit it takes and answers in: C, CEL, F, FAR or K."""

    @abstractmethod
    def _set_temperature(self, temperature: float) -> None:
        """Set-point, in the instrument's unit."""

    @abstractmethod
    def _set_ramp(self, ramp: float) -> None:
        """Rate, in `ramp_unit` per minute."""

    @abstractmethod
    def _set_limits(self, low: float, high: float) -> None:
        """Limits, in the instrument's unit; switched on."""

    @abstractmethod
    def _ask_limits(self) -> tuple[float, float]:
        """Limits, in the instrument's unit."""

    @abstractmethod
    def _start(self) -> None: ...

    @abstractmethod
    def _stop(self) -> None: ...

    @abstractmethod
    def _ask_running(self) -> bool: ...

    @abstractmethod
    def _air_question(self) -> str:
        """The question for the air's temperature."""
