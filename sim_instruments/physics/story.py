"""
What happens, in time: the stops.

Between two stops everything has a closed form, and what is asked for is computed from the last stop. The story stops at
every change, when what a change set moving has settled, and every few seconds; there it takes the device's dissipation
anew, lets protections act, and looks for abuse. So it is the same however often, and in what order, it is asked about.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Mapping, Sequence

from sim_instruments.device_file import ThermalValues
from sim_instruments.physics.chamber import ChamberAir
from sim_instruments.physics.channel import DeviceChannel
from sim_instruments.physics.circuit import Circuit, Solution
from sim_instruments.physics.supply import SupplyPort, Trip
from sim_instruments.physics.thermal import CaseThermal
from sim_instruments.physics.watch import Watch

__all__ = ["Story"]

# Without any change the story stops this often. [s]
STOP_EVERY_S = 5.0
# While a supply moves the story also looks at these parts of the way, so that a peak in between is seen.
LOOKS_WHILE_MOVING = (0.03, 0.07, 0.15, 0.35)


class Story:
    """
    Args:
        t: When it begins. [s]
        supplies: All outputs.
        channels: All channels.
        watch: Told of every stop.
    """

    def __init__(
        self,
        t: float,
        thermal: ThermalValues,
        supplies: Mapping[tuple[str, int], SupplyPort],
        channels: Sequence[DeviceChannel],
        watch: Watch,
    ) -> None:
        self.air = ChamberAir(t, thermal.ambient_degc)
        self.circuit = Circuit(channels)
        self.watch = watch
        self.now_s = t
        self.case_degc = math.nan
        """Case temperature of what was asked for last. [degC]"""
        self._case = CaseThermal(t, thermal)
        self._case.begin(t, self.air.course, 0.0)
        self._channels = tuple(channels)
        self._supplies = tuple(supplies.values())
        self._dissipation_w = [0.0] * len(self._channels)
        self._stops: list[float] = []
        self._next_tick_s = t + STOP_EVERY_S
        self._looked_s = t
        self._over_voltage_at_s = math.inf
        self._supplies_move_until_s = -math.inf
        self._solved_at = -math.inf
        self._solved = Solution((), ())

    # ------------------------------------------------------------------ asking

    def at(self, t: float) -> Solution:
        """What everything is at; a reading that meets a reason to trip lets the protection act first. [s]"""
        if t == self._solved_at:
            return self._solved
        self.advance(t)
        solution = self._solve(t)
        if (solution.limited or t >= self._over_voltage_at_s) and self._tripping(t, solution):
            self.stop(t)
            solution = self._solve(t)
        self._solved_at, self._solved = t, solution
        return solution

    def case_at(self, t: float) -> float:
        """Case temperature. [degC]"""
        if t == self._solved_at:
            return self.case_degc
        self.advance(t)
        return self._case.at(t)

    # ------------------------------------------------------------------ changing

    def begin_change(self, t: float) -> None:
        """Everything up to `t` happens; what still moves is looked at once more before it is changed. [s]"""
        self.advance(t)
        if self._stops and t > self._looked_s:
            self.stop(t)
        self._looked_s = t
        self._solved_at = -math.inf

    def supply_moves(self, t: float, port: SupplyPort) -> None:
        """An output was changed at `t`. [s]"""
        ends = port.ends_at
        self._supplies_move_until_s = max(self._supplies_move_until_s, ends)
        if ends > t:
            self.stop_at(t, *(t + part * (ends - t) for part in LOOKS_WHILE_MOVING))
        self.stop_at(t, ends)
        self.expect_over_voltage(t)

    def expect_over_voltage(self, t: float) -> None:
        """A protection level or a voltage was changed: when it will act. [s]"""
        self._over_voltage_at_s = min((port.over_voltage_at(t) for port in self._supplies), default=math.inf)
        self.stop_at(t, self._over_voltage_at_s)
        self._solved_at = -math.inf

    def air_changes(self, t: float, setpoint_degc: float, ramp_k_per_min: float, running: bool) -> None:
        """The chamber was set. [s, degC, K/min]"""
        self.stop(t)
        self.air.change(t, setpoint_degc, ramp_k_per_min, running)
        self._case.begin(t, self.air.course, sum(self._dissipation_w))
        self.stop_at(t, self.air.arrives_at)

    def stop_at(self, t: float, *times: float) -> None:
        """Also stop at these times, as far as they are still to come. [s]"""
        for time in times:
            if t <= time < math.inf:
                heapq.heappush(self._stops, time)

    # ------------------------------------------------------------------ going on

    def advance(self, t: float) -> None:
        """
        Let everything up to `t` happen. [s]

        Raises:
            ValueError: `t` lies in the past.
        """
        if not t >= self.now_s:  # refuses NaN too
            raise ValueError(f"the world is at {self.now_s:.9g} s; it cannot go back to {t:.9g} s")
        while True:
            stop = self._stops[0] if self._stops and self._stops[0] < self._next_tick_s else self._next_tick_s
            if stop > t:
                break
            self.stop(stop)
        self.now_s = t

    def stop(self, t: float) -> None:
        """Look at `t`, and take it as the new start of every closed form. [s]"""
        stops = self._stops
        while stops and stops[0] <= t:
            heapq.heappop(stops)
        while self._next_tick_s <= t:
            self._next_tick_s += STOP_EVERY_S
        self.now_s = t
        if self._looked_s <= self._supplies_move_until_s:
            self.watch.see_order(self._looked_s, t)
        self._looked_s = t
        solution = self._solve(t)
        if solution.limited or t >= self._over_voltage_at_s:
            tripping = self._tripping(t, solution)
            for port, why in tripping.items():
                port.trip(t, why)
                self.supply_moves(t, port)
            if tripping:
                solution = self._solve(t)
        self.watch.see(t, solution.points)
        for index, (channel, point) in enumerate(zip(self._channels, solution.points, strict=True)):
            self._dissipation_w[index] = point.response.dissipation_w
            channel.thermal.begin(t, point.response.dissipation_w)
        arrives_s = self.air.arrives_at
        if arrives_s <= t:  # its course bends here
            self.air.advance(t)
        elif arrives_s < math.inf:
            self.stop_at(t, arrives_s)
        self._case.begin(t, self.air.course, sum(self._dissipation_w))
        self._solved_at = -math.inf

    def _solve(self, t: float) -> Solution:
        self.case_degc = self._case.at(t)
        return self.circuit.solve(t, self.case_degc)

    def _tripping(self, t: float, solution: Solution) -> dict[SupplyPort, Trip]:
        """Outputs whose protection acts now, and why."""
        found: dict[SupplyPort, Trip] = {
            port: "over current" for port in solution.limited if port.over_current and port.is_on and not port.is_stuck_on
        }
        if t >= self._over_voltage_at_s:
            found |= {port: "over voltage" for port in self._supplies if port.over_voltage_at(t) <= t}
        return found
