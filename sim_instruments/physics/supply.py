"""One output of a supply: voltage on its way, current limit, protection."""

from __future__ import annotations

import math
from typing import Literal, NamedTuple

from sim_instruments.physics.settling import Settling

__all__ = ["Mode", "SupplyPort", "SupplyTerminal", "Trip"]

Mode = Literal["off", "constant voltage", "constant current"]
Trip = Literal["", "over voltage", "over current"]


class SupplyTerminal(NamedTuple):
    """
    One output as it is.

    Attributes:
        voltage_v: At its terminals. [V]
        current_a: Out of its positive terminal; a current that flows back is negative. [A]
        mode: What holds it.
        tripped: Which protection has switched it off; "": none.
    """

    voltage_v: float
    current_a: float
    mode: Mode
    tripped: Trip


class SupplyPort:
    """
    The output's own side. What it drives decides its current; see circuit.py.

    Args:
        settling_time_s: Of its voltage, up and (into its own bleeder) down. [s]
    """

    def __init__(self, name: str, channel: int, settling_time_s: float) -> None:
        self.name, self.channel = name, channel
        self._limit_a = math.inf
        self.over_voltage_v: float | None = None
        self.over_current = False
        self.tripped: Trip = ""
        self.is_stuck_on = False
        """A fault's place: the output stays on whatever it is told."""
        self.stands_at_v: float | None = None
        """A fault's place: where its voltage stands while it is on, whatever it was set to. [V]"""
        self.gives_at_most_a = math.inf
        """A fault's place: it gives no more than this, whatever its current limit says. [A]"""
        self._is_on = False
        self._setting_v = 0.0
        self._voltage = Settling(settling_time_s, 0.0)

    @property
    def current_limit_a(self) -> float:
        """What it gives at most. [A]"""
        return min(self._limit_a, self.gives_at_most_a)

    @property
    def label(self) -> str:
        return f"{self.name} output {self.channel}"

    @property
    def is_on(self) -> bool:
        """As it is, not as it was set."""
        return self._is_on or self.is_stuck_on

    @property
    def ends_at(self) -> float:
        """When its voltage stands still. [s]"""
        return self._voltage.ends_at

    @property
    def target_v(self) -> float:
        return self._voltage.target

    @property
    def set_v(self) -> float:
        """What it was set to, on or off. [V]"""
        return self._setting_v

    def change(self, t: float, voltage_v: float, current_limit_a: float, on: bool) -> None:
        """A new setting at `t`; a tripped output stays off. [s, V, A]"""
        self._setting_v, self._limit_a = voltage_v, current_limit_a
        self._is_on = on and not self.tripped
        self.apply(t)

    def apply(self, t: float) -> None:
        """Move towards what its setting, trip and faults now say."""
        on_v = self._setting_v if self.stands_at_v is None else self.stands_at_v
        self._voltage.move(t, float(on_v) if self.is_on else 0.0)

    def trip(self, t: float, why: Trip) -> None:
        self.tripped = why
        self._is_on = False
        self.apply(t)

    def clear_trip(self, t: float) -> None:
        """Off until it is switched on again."""
        self.tripped = ""
        self.apply(t)

    def open_voltage_v(self, t: float) -> float:
        """What it would hold if nothing drew more than its current limit. [V]"""
        return self._voltage.at(t)

    def rises_above(self, level_v: float, after_s: float) -> float:
        """First moment at or after `after_s` at which it stands at or above `level_v`; infinity: never. [s]"""
        return self._voltage.reaches(level_v, after_s)

    def over_voltage_at(self, after_s: float) -> float:
        """When its protection will act, as things stand; infinity: never. A level holds for either sign. [s]"""
        if self.over_voltage_v is None or not self.is_on or self.is_stuck_on:
            return math.inf
        if abs(self._voltage.at(after_s)) > self.over_voltage_v:
            return after_s
        if abs(self._voltage.target) <= self.over_voltage_v:
            return math.inf
        sign = math.copysign(1.0, self._voltage.target)
        now, target = sign * self._voltage.at(after_s), sign * self._voltage.target
        part = (target - now) / (target - self.over_voltage_v)
        return after_s + self._voltage.time_constant_s * math.log(part)
