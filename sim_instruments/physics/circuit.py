"""
Supplies and device solved together: each output holds its voltage unless what hangs on it draws more than its limit.

The gate is solved first, with the drain at its open voltage and without drive: it draws microamperes until its diode
opens, and hardly sees the drain.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import NamedTuple

from sim_instruments.physics.channel import DeviceChannel, Operating
from sim_instruments.physics.device import DEAD
from sim_instruments.physics.supply import SupplyPort

__all__ = ["Circuit", "Solution"]

# Halvings of the voltage while a current limit is solved for: 20 V down to nanovolts.
HALVINGS = 36
NOWHERE = Operating(0.0, -math.inf, 0.0, 0.0, 0.0, DEAD)


class Solution(NamedTuple):
    """
    Attributes:
        points: Every channel's operating point, in the order of the channels.
        limited: Outputs that their current limit holds.
    """

    points: tuple[Operating, ...]
    limited: tuple[SupplyPort, ...]


class Circuit:
    """All channels with the outputs that feed them; several channels may hang on one output."""

    def __init__(self, channels: Sequence[DeviceChannel]) -> None:
        self._channels = tuple(channels)
        self._on_drain = self._grouped([channel.drain for channel in channels])
        self._on_gate = self._grouped([channel.gate for channel in channels])

    def solve(self, t: float, case_degc: float) -> Solution:
        """What everything is at, at one moment. [s, degC]"""
        channels = self._channels
        limited: list[SupplyPort] = []
        gates = [0.0] * len(channels)
        for port, members in self._on_gate:
            voltage_v = port.open_voltage_v(t)
            if voltage_v > 0.0:  # below, there is only leakage
                current_a = self._gate_current(t, members, case_degc)
                if current_a(voltage_v) > port.current_limit_a:
                    voltage_v = _limited_v(voltage_v, port.current_limit_a, current_a)
                    limited.append(port)
            for index in members:
                gates[index] = voltage_v
        points: list[Operating] = [NOWHERE] * len(channels)
        for port, members in self._on_drain:
            voltage_v = port.open_voltage_v(t)
            total_a = 0.0
            for index in members:
                point = points[index] = channels[index].operate(t, voltage_v, gates[index], case_degc)
                total_a += point.response.drain_current_a
            if total_a > port.current_limit_a:
                current_a = self._drain_current(t, members, gates, case_degc)
                voltage_v = _limited_v(voltage_v, port.current_limit_a, current_a)
                limited.append(port)
                for index in members:
                    points[index] = channels[index].operate(t, voltage_v, gates[index], case_degc)
        return Solution(tuple(points), tuple(limited))

    def current_a(self, port: SupplyPort, operating: Sequence[Operating]) -> float:
        """Out of one output. [A]"""
        total_a = 0.0
        for channel, point in zip(self._channels, operating, strict=True):
            if channel.drain is port:
                total_a += point.response.drain_current_a
            if channel.gate is port:
                total_a += point.response.gate_current_a
        return total_a

    def voltage_v(self, port: SupplyPort, t: float, operating: Sequence[Operating]) -> float:
        """At one output's terminals. [V]"""
        for channel, point in zip(self._channels, operating, strict=True):
            if channel.drain is port:
                return point.drain_v
            if channel.gate is port:
                return point.gate_v
        return port.open_voltage_v(t)

    def _gate_current(self, t: float, members: Sequence[int], case_degc: float) -> Callable[[float], float]:
        def current_a(gate_v: float) -> float:
            total_a = 0.0
            for index in members:
                channel = self._channels[index]
                channel_degc = case_degc + channel.thermal.rise_k(t)
                total_a += channel.device.gate_current_a(channel.drain.open_voltage_v(t), gate_v, channel_degc)
            return total_a

        return current_a

    def _drain_current(
        self, t: float, members: Sequence[int], gates: Sequence[float], case_degc: float
    ) -> Callable[[float], float]:
        def current_a(drain_v: float) -> float:
            return sum(
                self._channels[index].operate(t, drain_v, gates[index], case_degc).response.drain_current_a for index in members
            )

        return current_a

    @staticmethod
    def _grouped(ports: Sequence[SupplyPort]) -> list[tuple[SupplyPort, list[int]]]:
        groups: list[tuple[SupplyPort, list[int]]] = []
        for index, port in enumerate(ports):
            for known, members in groups:
                if known is port:
                    members.append(index)
                    break
            else:
                groups.append((port, [index]))
        return groups


def _limited_v(open_v: float, limit_a: float, current_a: Callable[[float], float]) -> float:
    """The voltage below `open_v` at which the load draws the limit. [V]"""
    low_v, high_v = 0.0, open_v
    for _ in range(HALVINGS):
        middle_v = 0.5 * (low_v + high_v)
        if current_a(middle_v) > limit_a:
            high_v = middle_v
        else:
            low_v = middle_v
    return low_v
