"""DC supplies: outputs that each have a voltage, a current limit and protections, and measure both."""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Sequence
from functools import partial
from typing import ClassVar

from benchkit.errors import InstrumentError, LimitError, MakeSafeError, MisuseError, ProtectionError
from benchkit.link import Link
from benchkit.roles.limits import bench_key, outside
from benchkit.roles.reading import ReadingInstrument
from benchkit.roles.settings import SupplyChannelSettings, SupplySettings

__all__ = ["Supply"]


class Supply(ReadingInstrument):
    """
    A supply with one output or several, by number.

    It is never reset (*RST): that would drop all outputs at once, in the instrument's own order, and a depletion-mode
    part that loses its gate before its drain is lost. Outputs go off one by one, the one with the highest rated
    voltage first, each read back: in a pair of drain and gate the drain is the more positive one.
    """

    ROLE: ClassVar[str] = "supply"
    VALUES: ClassVar[dict[str, str]] = {
        "current_limit_resolution_a": "0.0001",
        "over_voltage_resolution_v": "0.01",
    }
    """How far a protection may read back from what was set: the instrument's resolution, or coarser."""

    settings: SupplySettings

    def __init__(self, name: str, link: Link, settings: SupplySettings) -> None:
        super().__init__(name, link, settings)
        self._channels: dict[int, SupplyChannelSettings] = dict(settings.channels)
        self._settling_time_s = settings.settling_time_s
        self._reading_time_s = settings.reading_time_s
        self._current_limit_resolution_a = self._value_number("current_limit_resolution_a")
        self._over_voltage_resolution_v = self._value_number("over_voltage_resolution_v")
        self._voltage_v: dict[int, float] = {}
        self._current_limit_a: dict[int, float] = {}
        self._over_voltage_v: dict[int, float] = {}
        self._over_current: dict[int, bool] = {}
        self._questions: dict[tuple[int, ...], str] = {}
        self._armed_channels: tuple[int, ...] = ()

    @property
    def channels(self) -> tuple[int, ...]:
        """Its outputs, by number."""
        return tuple(self._channels)

    @property
    def settling_time_s(self) -> float:
        """From a change of voltage until it is there. [s]"""
        return self._settling_time_s

    def voltage_setpoint_v(self, channel: int) -> float:
        """What was set last; NaN when it is not known. [V]"""
        self._channel(channel)
        return self._voltage_v.get(channel, math.nan)

    def set_voltage(self, channel: int, voltage_v: float) -> None:
        """
        Set an output's voltage. [V]

        Raises:
            LimitError: Outside voltage_min..voltage_max of the bench file, or above the over-voltage protection that
            was set.
        """
        ratings = self._channel(channel)
        if voltage_v == self._voltage_v.get(channel):
            return
        if not ratings.voltage_min_v <= voltage_v <= ratings.voltage_max_v:
            raise outside(
                self._what("voltage", channel), voltage_v, ratings.voltage_min_v, ratings.voltage_max_v, "V",
                self._key(channel, "voltage_min"), self._key(channel, "voltage_max"),
            )  # fmt: skip
        over_voltage_v = self._over_voltage_v.get(channel)
        if over_voltage_v is not None and abs(voltage_v) > over_voltage_v:
            raise LimitError(
                self._what("voltage", channel),
                abs(voltage_v),
                over_voltage_v,
                "V",
                "over-voltage protection, set before",
            )
        self._voltage_v.pop(channel, None)
        self._set_voltage(channel, voltage_v)
        self._voltage_v[channel] = voltage_v
        self._note(f"voltage_v {channel}", voltage_v)

    def set_current_limit(self, channel: int, current_a: float) -> None:
        """
        Set an output's current limit and read it back. [A]

        Raises:
            LimitError: Not above zero, or above current_max of the bench file.
            ProtectionError: It reads back otherwise, by more than the instrument's resolution.
        """
        ratings = self._channel(channel)
        if current_a == self._current_limit_a.get(channel):
            return
        if not 0.0 < current_a <= ratings.current_max_a:
            source = self._key(channel, "current_max")
            raise outside(
                self._what("current limit", channel),
                current_a,
                math.ulp(0.0),
                ratings.current_max_a,
                "A",
                source,
                source,
            )
        self._current_limit_a.pop(channel, None)
        self._set_current_limit(channel, current_a)
        self._require_near(
            channel, "current limit", self._ask_current_limit(channel), current_a, "A", self._current_limit_resolution_a
        )
        self._current_limit_a[channel] = current_a
        self._note(f"current_limit_a {channel}", current_a)

    def set_over_voltage(self, channel: int, voltage_v: float) -> None:
        """
        Set the voltage (its magnitude) at which an output trips, and read it back. [V]

        With `without_over_voltage` in the bench file nothing is sent; voltages above it are refused here all the same.

        Raises:
            LimitError: Not above zero, or not finite.
            ProtectionError: It reads back otherwise, by more than the instrument's resolution, or as switched off.
        """
        ratings = self._channel(channel)
        if voltage_v == self._over_voltage_v.get(channel):
            return
        if not 0.0 < voltage_v < math.inf:
            source = "a magnitude, finite and above zero"
            raise outside(self._what("over-voltage", channel), voltage_v, math.ulp(0.0), 1e6, "V", source, source)
        if not ratings.without_over_voltage:
            self._over_voltage_v.pop(channel, None)
            self._set_over_voltage(channel, voltage_v)
            actual_v, active = self._ask_over_voltage(channel)
            if not active:
                raise ProtectionError(self.name, f"output {channel}: over-voltage protection reads back as switched off")
            self._require_near(channel, "over-voltage protection", actual_v, voltage_v, "V", self._over_voltage_resolution_v)
        self._over_voltage_v[channel] = voltage_v
        self._note(f"over_voltage_v {channel}", voltage_v)

    def set_over_current(self, channel: int, on: bool) -> None:
        """
        Make an output trip, or not, when it reaches its current limit; and read it back.

        With `without_over_current` in the bench file nothing is sent.

        Raises:
            ProtectionError: It reads back otherwise.
        """
        ratings = self._channel(channel)
        if on == self._over_current.get(channel) or ratings.without_over_current:
            return
        self._over_current.pop(channel, None)
        self._set_over_current(channel, on)
        if self._ask_over_current(channel) != on:
            raise ProtectionError(
                self.name,
                f"output {channel}: over-current trip reads back as {_on_off(not on)} instead of {_on_off(on)}",
            )
        self._over_current[channel] = on
        self._note(f"over_current {channel}", on)

    def check_protections(self, channel: int) -> None:
        """
        Read back the protections of an output that were set, whatever is remembered: a supply that was switched off and on
        has its protections at their widest again, and says nothing.

        Raises:
            ProtectionError: One reads back otherwise than it was set.
        """
        ratings = self._channel(channel)
        lost = "; it was set and verified before: was the supply switched off and on, or set by hand?"
        current_a, voltage_v = self._current_limit_a.get(channel), self._over_voltage_v.get(channel)
        over_current = self._over_current.get(channel)
        try:
            if current_a is not None:
                actual_a = self._ask_current_limit(channel)
                self._require_near(channel, "current limit", actual_a, current_a, "A", self._current_limit_resolution_a)
            if voltage_v is not None and not ratings.without_over_voltage:
                actual_v, active = self._ask_over_voltage(channel)
                if not active:
                    raise ProtectionError(self.name, f"output {channel}: over-voltage protection reads back as switched off")
                self._require_near(
                    channel, "over-voltage protection", actual_v, voltage_v, "V", self._over_voltage_resolution_v
                )
            if over_current is not None and self._ask_over_current(channel) != over_current:
                raise ProtectionError(
                    self.name,
                    f"output {channel}: over-current trip reads back as {_on_off(not over_current)} instead of "
                    f"{_on_off(over_current)}",
                )
        except ProtectionError as error:
            self.forget_settings()
            raise ProtectionError(self.name, str(error).removeprefix(f"{self.name}: ") + lost) from error

    def output_on(self, channel: int) -> None:
        """Switch an output on."""
        self._channel(channel)
        self._output_on(channel)
        self._note(f"output {channel}", "on")

    def output_off(self, channel: int) -> None:
        """Switch an output off."""
        self._channel(channel)
        self._output_off(channel)
        self._note(f"output {channel}", "off")

    def is_output_on(self, channel: int) -> bool:
        """Ask whether an output is on."""
        self._channel(channel)
        return self._ask_output(channel)

    def is_tripped(self, channel: int) -> bool:
        """Ask whether a protection has switched an output off. Protections that it has not, or does not tell of, count as not."""
        ratings = self._channel(channel)
        return (not ratings.without_over_voltage and self._ask_over_voltage_trip(channel)) or (
            not ratings.without_over_current and self._ask_over_current_trip(channel)
        )

    def clear_trip(self, channel: int) -> None:
        """Clear a trip. Whether the output is on afterwards depends on the instrument: it is switched off."""
        self._channel(channel)
        self._output_off(channel)
        self._clear_trip(channel)
        self._note(f"trip {channel}", "cleared")

    def arm(self, channels: Sequence[int]) -> None:
        """Start reading voltage and current of some outputs, all in one message."""
        key = tuple(channels)
        question = self._questions.get(key)
        if question is None:
            if not key or len(set(key)) != len(key):
                raise MisuseError(f"{self.name}: cannot read outputs {key}: none, or one twice")
            for channel in key:
                self._channel(channel)
            question = self._questions[key] = self._measure_question(key)
        self._arm(question)
        self._armed_channels = key

    def collect(self) -> dict[int, tuple[float, float]]:
        """Voltage and current of the outputs that were armed, by number. [V, A]"""
        question, reply = self._collect()
        numbers = [self._number(question, part) for part in reply.replace(",", ";").split(";")]
        channels = self._armed_channels
        if len(numbers) != 2 * len(channels):
            raise self._bad_reply(question, reply, f"{len(numbers)} numbers instead of {2 * len(channels)}")
        return {channel: (numbers[2 * i], numbers[2 * i + 1]) for i, channel in enumerate(channels)}

    def make_output_safe(self, channel: int) -> None:
        """
        Switch one output off and read back that it is. Tries twice.

        Raises:
            MakeSafeError: It could not be done or not be verified.
        """
        self._channel(channel)
        self._attempt_twice(
            f"{self.name} output {channel}",
            partial(self._output_off_verified, channel),
            partial(self._shout, "output_off", channel=channel),
        )

    def make_safe(self) -> None:
        """
        All outputs off, the highest rated voltage first, each read back.

        If one cannot be verified off, those that can go negative stay as they are: one of them may be the gate that
        holds its device off.

        Raises:
            MakeSafeError: Lists the outputs that could not be switched off or verified, or were left on.
        """
        self._require_open()
        failures: list[str] = []
        for channel in self._highest_first():
            if failures and self._channels[channel].voltage_min_v < 0:
                failures.append(f"{self.name} output {channel}: left as it is, for it may be the gate of one that is still on")
                continue
            try:
                self.make_output_safe(channel)
            except MakeSafeError as error:
                failures.extend(error.failures)
        if failures:
            raise MakeSafeError(failures)

    def forget_settings(self) -> None:
        for remembered in (self._voltage_v, self._current_limit_a, self._over_current):
            remembered.clear()
        self._over_voltage_v.clear()

    def missing_protections(self) -> tuple[str, ...]:
        missing = []
        for channel, ratings in self._channels.items():
            if ratings.without_over_voltage:
                missing.append((channel, "over-voltage protection", "without_over_voltage"))
            if ratings.without_over_current:
                missing.append((channel, "over-current trip", "without_over_current"))
        return tuple(f"{self.name} output {channel}: no {what} ({self._key(channel, key)})" for channel, what, key in missing)

    def _prepare(self) -> None:
        for channel in self._highest_first():
            self._output_off_verified(channel)
        self._configure()
        for channel, ratings in self._channels.items():
            # A voltage left from before may be above the protection that is set next, which a supply then refuses.
            self.set_voltage(channel, min(max(0.0, ratings.voltage_min_v), ratings.voltage_max_v))
            if self.is_tripped(channel):
                self.clear_trip(channel)

    def _output_off_verified(self, channel: int) -> None:
        self.output_off(channel)
        if self._ask_output(channel):
            raise InstrumentError(self.name, f"output {channel} reads on after it was switched off")

    def _highest_first(self) -> list[int]:
        return sorted(self._channels, key=lambda channel: -self._channels[channel].voltage_max_v)

    def _channel(self, channel: int) -> SupplyChannelSettings:
        if self._closed:
            self._require_open()
        try:
            return self._channels[channel]
        except KeyError:
            known = ", ".join(str(number) for number in self._channels)
            raise MisuseError(f"{self.name}: no output {channel!r}; {bench_key(self.name, 'channels')} has {known}") from None

    def _require_near(self, channel: int, what: str, actual: float, asked: float, unit: str, resolution: float) -> None:
        if not abs(actual - asked) <= resolution * (1 + 1e-9):
            raise ProtectionError(
                self.name,
                f"output {channel}: {what} reads back as {actual:.6g} {unit} instead of {asked:.6g} {unit}, "
                f"further than its resolution {resolution:g} {unit}",
            )

    def _what(self, quantity: str, channel: int) -> str:
        return f"{quantity} of {self.name} output {channel}"

    def _key(self, channel: int, key: str) -> str:
        return bench_key(self.name, f"channels.{channel}.{key}")

    @abstractmethod
    def _set_voltage(self, channel: int, voltage_v: float) -> None: ...

    @abstractmethod
    def _set_current_limit(self, channel: int, current_a: float) -> None: ...

    @abstractmethod
    def _ask_current_limit(self, channel: int) -> float: ...

    @abstractmethod
    def _set_over_voltage(self, channel: int, voltage_v: float) -> None:
        """Set it and switch it on."""

    @abstractmethod
    def _ask_over_voltage(self, channel: int) -> tuple[float, bool]:
        """Its level, and whether it is switched on. [V]"""

    @abstractmethod
    def _set_over_current(self, channel: int, on: bool) -> None: ...

    @abstractmethod
    def _ask_over_current(self, channel: int) -> bool: ...

    @abstractmethod
    def _output_on(self, channel: int) -> None: ...

    @abstractmethod
    def _output_off(self, channel: int) -> None: ...

    @abstractmethod
    def _ask_output(self, channel: int) -> bool: ...

    @abstractmethod
    def _ask_over_voltage_trip(self, channel: int) -> bool: ...

    @abstractmethod
    def _ask_over_current_trip(self, channel: int) -> bool: ...

    @abstractmethod
    def _clear_trip(self, channel: int) -> None: ...

    @abstractmethod
    def _measure_question(self, channels: tuple[int, ...]) -> str:
        """One message that asks voltage and current of each output, in this order."""


def _on_off(on: bool) -> str:
    return "on" if on else "off"
