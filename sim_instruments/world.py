"""
One physical model behind all simulated instruments.

Asking changes nothing: between two *stops* everything has a closed form, and what is asked for is computed from the last
stop. The world stops at every change, when what a change set moving has settled, and every few seconds; there it takes
the device's dissipation anew, lets protections act, and looks for abuse. So the story is the same however often, and in
what order, instruments ask.

All times are clock.monotonic() seconds and never go back.
"""

from __future__ import annotations

import heapq
import math
from collections.abc import Callable

from benchkit.bench.load import Bench
from benchkit.bench.model import ChamberSettings
from benchkit.clock import Clock
from benchkit.errors import FileError
from benchkit.quantities import pt100_resistance_ohm
from sim_instruments.device_file import load_device_file
from sim_instruments.ledger import Abuse, Ledger
from sim_instruments.physics.build import build_channels, build_ports, ratings_of
from sim_instruments.physics.channel import Operating
from sim_instruments.physics.chamber import ChamberAir
from sim_instruments.physics.circuit import Circuit
from sim_instruments.physics.device import milliwatts
from sim_instruments.physics.supply import Mode, SupplyPort, SupplyTerminal
from sim_instruments.physics.thermal import CaseThermal
from sim_instruments.physics.watch import Watch

__all__ = ["World"]

# Without any change the world stops this often. [s]
STOP_EVERY_S = 5.0
# While supplies move the world also looks at these parts of the way, so that a peak in between is seen.
LOOKS_WHILE_MOVING = (0.03, 0.07, 0.15, 0.35)
# A step of dissipation larger than this moves the channel's temperature enough to look once more when it has settled.
HEAT_STEP_W = 0.02
# An output holding less than this is not energised.
ENERGISED_V = 0.1
# A set point further from the room than this leaves the chamber hot or cold.
AWAY_FROM_AMBIENT_K = 10.0


class World:
    """
    Args:
        bench: Wiring, paths, instruments; `bench.file.twin.device` names the device file, relative to the bench file.
        clock: Its monotonic time when the world begins; only that is read from it.
        seed: With `unit` decides everything that is drawn.
        unit: Serial number of the simulated unit, e.g. L07-W1-01.
        ledger: Where abuse is noted.

    Raises:
        FileError: The bench file names no device file, or that has mistakes.
    """

    def __init__(self, bench: Bench, clock: Clock, *, seed: int, unit: str, ledger: Ledger) -> None:
        if bench.file.twin is None:
            raise FileError([bench.mistake("twin", "names no device file; a simulated bench needs `twin: {device: ...}`")])
        t = clock.monotonic()
        self.device_file = load_device_file(bench.path.parent / bench.file.twin.device)
        self.ledger = ledger
        self.ports = build_ports(bench, seed)
        self.channels = build_channels(bench, self.ports, self.device_file, t, seed=seed, unit=unit)
        self.air = ChamberAir(t, self.device_file.thermal.ambient_degc)
        self._case = CaseThermal(t, self.device_file.thermal)
        self._circuit = Circuit(self.channels)
        self._watch = Watch(ledger, self.device_file.absolute_maximum, ratings_of(bench), self.channels)
        self._case_voltmeter = None if bench.file.wiring.case_sensor is None else bench.file.wiring.case_sensor.voltmeter
        chamber = bench.file.instruments.get(bench.file.wiring.chamber or "")
        self._chamber = chamber if isinstance(chamber, ChamberSettings) else None
        self._stops: list[float] = []
        self._now_s = self._looked_s = t
        self._next_tick_s = t + STOP_EVERY_S
        self._dissipation_w = [0.0] * len(self.channels)
        self._solved_at = -math.inf
        self._solved: tuple[Operating, ...] = ()
        self._is_finished = False
        self._case.begin(t, self.air.course, 0.0)

    # ------------------------------------------------------------------ source

    def source_changed(self, name: str, t: float, *, frequency_hz: float, level_dbm: float, on: bool) -> None:
        """The level the instrument will settle to at its connector, its own level error included. [s, Hz, dBm]"""
        source = self.ports.sources[name]
        self._begin_change(t)
        source.change(t, frequency_hz, level_dbm, on)
        self._stop_at(t, source.ends_at, source.peaks_at)

    def power_at(self, meter: str, t: float) -> float:
        """Total power at a power meter's or analyser's connector; minus infinity: none. [dBm]"""
        total_mw = sum(milliwatts(level_dbm) for _, level_dbm in self.spectrum_at(meter, t))
        return 10.0 * math.log10(total_mw) if total_mw > 0.0 else -math.inf

    def spectrum_at(self, analyser: str, t: float) -> list[tuple[float, float]]:
        """Lines at the connector of an analyser or power meter: carrier and harmonics. [Hz, dBm]"""
        operating = self._operate(t)
        lines: list[tuple[float, float]] = []
        for channel, point in zip(self.channels, operating, strict=True):
            path = channel.meters.get(analyser)
            if path is None or point.response.output_dbm == -math.inf or not channel.is_connected():
                continue
            at_pin = [(point.frequency_hz, point.response.output_dbm)]
            at_pin += channel.device.harmonics(point.frequency_hz, point.response)
            lines += [(hz, level_dbm - path.loss_db(hz)) for hz, level_dbm in at_pin]
        return lines

    # ------------------------------------------------------------------ supplies

    def supply_changed(
        self, name: str, channel: int, t: float, *, voltage_v: float, current_limit_a: float, on: bool
    ) -> None:
        """What one output was set to. [s, V, A]"""
        port = self.ports.supplies[name, channel]
        self._begin_change(t)
        port.change(t, voltage_v, current_limit_a, on)
        self._supply_moves(t, port)

    def supply_protection(
        self, name: str, channel: int, *, over_voltage_v: float | None, over_current: bool
    ) -> None:
        """Trip levels; they act from the next change or reading on. [V, magnitude; None: none]"""
        port = self.ports.supplies[name, channel]
        port.over_voltage_v, port.over_current = over_voltage_v, over_current
        self._solved_at = -math.inf

    def supply_clear_trip(self, name: str, channel: int, t: float) -> None:
        """The output stays off until it is switched on again. [s]"""
        port = self.ports.supplies[name, channel]
        self._begin_change(t)
        port.clear_trip(t)
        self._supply_moves(t, port)

    def supply_terminal(self, name: str, channel: int, t: float) -> SupplyTerminal:
        """One output as it is. [s]"""
        port = self.ports.supplies[name, channel]
        operating = self._operate(t)
        current_a = self._circuit.current_a(port, operating)
        voltage_v = self._circuit.voltage_v(port, t, operating)
        return SupplyTerminal(voltage_v, current_a, self._mode(port, t, voltage_v), port.tripped)

    # ------------------------------------------------------------------ voltmeters, chamber, switch

    def voltage_at(self, voltmeter: str, t: float) -> float:
        """Of the detector or reference diode wired to it; an open input reads 0 V. [V]"""
        operating = self._operate(t)
        case_degc = self._case.at(t)
        found: list[float] = []
        for channel, point in zip(self.channels, operating, strict=True):
            if voltmeter not in (channel.detector_voltmeter, channel.reference_voltmeter) or not channel.is_connected():
                continue
            voltage_v = channel.detector.reference_v(point.drain_v, case_degc)
            if voltmeter == channel.detector_voltmeter:
                voltage_v += channel.detector.difference_v(
                    point.frequency_hz, point.response.output_dbm, point.drain_v, case_degc
                )
            found.append(voltage_v)
        # Several channels on one voltmeter at once: equal source resistances, so their mean.
        return sum(found) / len(found) if found else 0.0

    def resistance_at(self, voltmeter: str, t: float) -> float:
        """Of the case's Pt100 if it is wired to this voltmeter, else infinite. [ohm]"""
        if voltmeter != self._case_voltmeter:
            return math.inf
        self._advance(t)
        return float(pt100_resistance_ohm(self._case.at(t)))

    def chamber_changed(self, t: float, *, setpoint_degc: float, ramp_k_per_min: float, running: bool) -> None:
        """What the chamber was set to. [s, degC, K/min]"""
        self._begin_change(t)
        self._stop(t)
        self.air.change(t, setpoint_degc, ramp_k_per_min, running)
        self._case.begin(t, self.air.course, sum(self._dissipation_w))
        self._stop_at(t, self.air.arrives_at)
        chamber = self._chamber
        if running and chamber is not None:
            low, high = chamber.temperature_min_degc, chamber.temperature_max_degc
            if not low <= setpoint_degc <= high:
                detail = f"set point {setpoint_degc:.4g} degC is outside {low:g} degC to {high:g} degC"
                self._watch.note(t, Abuse.CHAMBER_RANGE, detail)

    def air_temperature(self, t: float) -> float:
        """Of the chamber's air, at its sensor. [degC]"""
        self._advance(t)
        return self.air.air_degc(t) + self.air.ripple_k(t)

    def case_temperature(self, t: float) -> float:
        """Of the device's case: a truth that only its Pt100 tells. [degC]"""
        self._advance(t)
        return self._case.at(t)

    def routes_changed(self, switch: str, routes: frozenset[int], t: float) -> None:
        """The routes of a switch that are closed from now on. [s]"""
        port = self.ports.switches[switch]
        self._begin_change(t)
        self._watch.see_switching(t, port, routes, self._solve(t))
        port.routes = routes
        self._stop_at(t, t)

    # ------------------------------------------------------------------ for tests, faults and the end

    def operating(self, channel: str, t: float) -> Operating:
        """The true operating point of one channel. [s]"""
        for known, point in zip(self.channels, self._operate(t), strict=True):
            if known.name == channel:
                return point
        raise KeyError(channel)

    def alter(self, t: float, act: Callable[[], None]) -> None:
        """
        Let a fault act: `act` changes ports, channels or the air, and the world goes on from there. [s]

        Supplies are told to move towards what they now say.
        """
        self._begin_change(t)
        self._stop(t)
        act()
        for port in self.ports.supplies.values():
            port.apply(t)
            self._supply_moves(t, port)
        for source in self.ports.sources.values():
            self._stop_at(t, source.ends_at, source.peaks_at)
        self._stop_at(t, t)

    def finish(self, t: float) -> None:
        """End of the story: what is still energised goes into the ledger. Twice is fine. [s]"""
        self._begin_change(t)
        self._stop(t)
        if self._is_finished:
            return
        self._is_finished = True
        for port in self.ports.supplies.values():
            if port.is_on and abs(port.target_v) > ENERGISED_V:
                self._watch.note(t, Abuse.LEFT_ENERGISED, f"{port.label} is on at {port.target_v:.4g} V")
        for source in self.ports.sources.values():
            if source.is_on:
                self._watch.note(t, Abuse.LEFT_ENERGISED, f"{source.name} is on at {source.level_dbm(t):.1f} dBm")
        away_k = self.air.setpoint_degc - self.air.ambient_degc
        if self.air.is_running and abs(away_k) > AWAY_FROM_AMBIENT_K:
            detail = f"chamber runs at {self.air.setpoint_degc:.4g} degC, the room has {self.air.ambient_degc:.4g} degC"
            self._watch.note(t, Abuse.LEFT_HOT_OR_COLD, detail)

    # ------------------------------------------------------------------ stops

    def _begin_change(self, t: float) -> None:
        """Everything up to `t` happens; what still moves is looked at once more before it is changed."""
        self._advance(t)
        if self._stops and t > self._looked_s:
            self._stop(t)
        self._looked_s = t
        self._solved_at = -math.inf

    def _supply_moves(self, t: float, port: SupplyPort) -> None:
        ends = port.ends_at
        if ends > t:
            self._stop_at(t, *(t + part * (ends - t) for part in LOOKS_WHILE_MOVING))
        self._stop_at(t, ends, port.over_voltage_at(t))

    def _stop_at(self, t: float, *times: float) -> None:
        for time in times:
            if t <= time < math.inf:
                heapq.heappush(self._stops, time)

    def _advance(self, t: float) -> None:
        if t < self._now_s:
            raise ValueError(f"the world is at {self._now_s:.9g} s; it cannot go back to {t:.9g} s")
        while True:
            stop = self._stops[0] if self._stops and self._stops[0] < self._next_tick_s else self._next_tick_s
            if stop > t:
                break
            self._stop(stop)
        self._now_s = t

    def _stop(self, t: float) -> None:
        stops = self._stops
        while stops and stops[0] <= t:
            heapq.heappop(stops)
        while self._next_tick_s <= t:
            self._next_tick_s += STOP_EVERY_S
        self._now_s = t
        self._watch.see_order(self._looked_s, t)
        self._looked_s = t
        operating = self._solve(t)
        if self._protect(t, operating):
            operating = self._solve(t)
        self._watch.see(t, operating)
        for index, (channel, point) in enumerate(zip(self.channels, operating, strict=True)):
            heat_w = point.response.dissipation_w
            if abs(heat_w - self._dissipation_w[index]) > HEAT_STEP_W:
                self._stop_at(t, t + 10.0 * channel.thermal.time_constant_s)
            self._dissipation_w[index] = heat_w
            channel.thermal.begin(t, heat_w)
        self.air.advance(t)
        self._case.begin(t, self.air.course, sum(self._dissipation_w))

    def _operate(self, t: float) -> tuple[Operating, ...]:
        """Operating points at `t`, protections considered."""
        if t == self._solved_at:
            return self._solved
        self._advance(t)
        operating = self._solve(t)
        if self._protect(t, operating):
            operating = self._solve(t)
        self._solved_at, self._solved = t, operating
        return operating

    def _solve(self, t: float) -> tuple[Operating, ...]:
        return self._circuit.solve(t, self._case.at(t))

    def _protect(self, t: float, operating: tuple[Operating, ...]) -> bool:
        """Let protections act; whether one did."""
        acted = False
        for port in self.ports.supplies.values():
            if not port.is_on or port.is_stuck_on:
                continue
            if port.over_voltage_at(t) <= t:
                port.trip(t, "over voltage")
            elif port.over_current and self._mode(port, t, self._circuit.voltage_v(port, t, operating)) == (
                "constant current"
            ):
                port.trip(t, "over current")
            else:
                continue
            acted = True
            self._supply_moves(t, port)
        return acted

    @staticmethod
    def _mode(port: SupplyPort, t: float, voltage_v: float) -> Mode:
        if not port.is_on:
            return "off"
        # The circuit lowers the voltage exactly when the current limit holds.
        return "constant current" if voltage_v != port.open_voltage_v(t) else "constant voltage"


