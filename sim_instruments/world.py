"""
One physical model behind all simulated instruments: what each sees at its connectors, what each does there.

Asking changes nothing; see physics/story.py. All times are clock.monotonic() seconds and never go back.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from benchkit.bench.load import Bench
from benchkit.bench.model import ChamberSettings
from benchkit.clock import Clock
from benchkit.errors import FileError
from benchkit.quantities import pt100_resistance_ohm
from sim_instruments.device_file import device_file_of
from sim_instruments.ledger import Abuse, Ledger
from sim_instruments.physics.build import build_channels, build_ports, ratings_of
from sim_instruments.physics.chamber import ChamberAir
from sim_instruments.physics.channel import DEVICE, Operating
from sim_instruments.physics.device import milliwatts
from sim_instruments.physics.network import STANDARDS, disconnected
from sim_instruments.physics.network_sweep import NetworkSweep
from sim_instruments.physics.story import Story
from sim_instruments.physics.supply import Mode, SupplyTerminal
from sim_instruments.physics.watch import Watch

__all__ = ["Truth", "World"]

# An output holding less than this is not energised.
ENERGISED_V = 0.1
# A set point further from the room than this leaves the chamber hot or cold.
AWAY_FROM_AMBIENT_K = 10.0


class World:
    """
    Attributes:
        ports: Sources, supply outputs, switches and paths, one object each: where faults act, through `alter`.
        channels: The device's channels with what is wired to them.
        device_file: As read.
        ledger: As given.

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
            raise FileError([bench.mistake("twin", "missing; a simulated bench needs `twin: {device: <device file>}`")])
        t = clock.monotonic()
        wiring, instruments = bench.file.wiring, bench.file.instruments
        self.device_file = device_file_of(bench, bench.file.twin.device)
        self.ledger = ledger
        self.ports = build_ports(bench, seed)
        self.channels = build_channels(bench, self.ports, self.device_file, t, seed=seed, unit=unit)
        self._watch = Watch(ledger, self.device_file.absolute_maximum, ratings_of(bench), self.channels)
        self._story = Story(t, self.device_file.thermal, self.ports.supplies, self.channels, self._watch)
        self._sweep = NetworkSweep(self._watch)
        self._case_voltmeter = None if wiring.case_sensor is None else wiring.case_sensor.voltmeter
        chamber = None if wiring.chamber is None else instruments[wiring.chamber]
        self._chamber = chamber if isinstance(chamber, ChamberSettings) else None
        self._is_finished = False

    # ------------------------------------------------------------------ RF

    def source_changed(self, name: str, t: float, *, frequency_hz: float, level_dbm: float, on: bool) -> None:
        """The level the instrument will settle to at its connector, its own level error included. [s, Hz, dBm]"""
        source = self.ports.sources[name]
        self._begin_change(t)
        source.change(t, frequency_hz, level_dbm, on)
        self._story.stop_at(t, source.ends_at, source.look_at)

    def power_at(self, meter: str, t: float) -> float:
        """Total power at a power meter's or analyser's connector; minus infinity: none. [dBm]"""
        total_mw = sum(milliwatts(level_dbm) for _, level_dbm in self.spectrum_at(meter, t))
        return 10.0 * math.log10(total_mw) if total_mw > 0.0 else -math.inf

    def spectrum_at(self, analyser: str, t: float) -> list[tuple[float, float]]:
        """
        Lines at the connector of an analyser or power meter: carrier and harmonics. [Hz, dBm]

        A power meter whose sensor hands have put elsewhere sees what is there, and nothing of its own place.
        """
        lines: list[tuple[float, float]] = []
        moved = [
            there
            for channel in self.channels
            if channel.power_meter == analyser and not channel.fixture.is_plain and (there := channel.at_sensor(t)) is not None
        ]
        if moved:
            self._story.advance(t)
            return moved[0]
        for channel, point in zip(self.channels, self._story.at(t).points, strict=True):
            path = channel.meters.get(analyser)
            if path is None or not channel.is_connected() or channel.is_cable_off(analyser):
                continue
            lines += [(hz, channel.at_meter_dbm(path, level_dbm, hz)) for hz, level_dbm in channel.lines(point)]
        return lines

    def routes_changed(self, switch: str, routes: frozenset[int], t: float) -> None:
        """The routes of a switch that are closed from now on. [s]"""
        port = self.ports.switches[switch]
        points = self._story.at(t).points
        self._begin_change(t)
        self._watch.see_switching(t, port, routes, points)
        port.routes = routes
        self._story.stop_at(t, t)

    def network_at(self, analyser: str, t: float, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        """
        S-parameters between the connectors of a network analyser's ports, shape (n, 2, 2), swept with its level. [Hz]

        Port 1's way forward drives the device and so sees its compression; what port 2 sends into an output is taken as small.
        """
        points = self._story.at(t).points
        reached = [
            (channel, point)
            for channel, point in zip(self.channels, points, strict=True)
            if channel.network is not None and channel.network.name == analyser and channel.network.is_connected()
        ]
        if not reached:
            return disconnected(len(frequency_hz))
        # One analyser on several channels at once would be a bench wired without a switch: the fixture touched first counts.
        channel, point = reached[0]
        return self._sweep.seen(t, channel, point, frequency_hz)

    def connect(self, channel: str, what: str, t: float) -> None:
        """
        What a pair of hands does: puts a calibration standard in place of the device, or the power meter's sensor, or the
        device back. [s]

        Args:
            what: "device", "open", "short", "load", "thru", "line" or "reflect"; "sensor" at the device's input plane, "sensor
                at source" or "sensor at second source" at that source's connector, "sensor at analyser" at the analyser's end of
                its cable with a thru in place of the device. Sensor and cables are in their places with whatever comes next.

        Raises:
            ValueError: No such channel, or nothing of that name at it.
        """
        names = [known.name for known in self.channels]
        if channel not in names:
            raise ValueError(f"no channel {channel!r}; there are {', '.join(names)}")
        index = names.index(channel)
        things = (DEVICE, *STANDARDS, *self.channels[index].things())
        if what not in things:
            raise ValueError(f"nothing called {what!r} to connect; there are {', '.join(things)}")
        if self.channels[index].fixture.what == what:
            return
        points = self._story.at(t).points
        self._begin_change(t)
        self._watch.see_hands(t, self.channels[index], points[index], what)
        self.channels[index].fixture.put(what)
        self._story.stop_at(t, t)

    def connected(self, channel: str) -> str:
        """What is in a channel's fixture. Raises ValueError: no such channel."""
        for known in self.channels:
            if known.name == channel:
                return known.fixture.what
        raise ValueError(f"no channel {channel!r}; there are {', '.join(known.name for known in self.channels)}")

    # ------------------------------------------------------------------ supplies

    def supply_changed(self, name: str, channel: int, t: float, *, voltage_v: float, current_limit_a: float, on: bool) -> None:
        """What one output was set to. [s, V, A]"""
        port = self.ports.supplies[name, channel]
        self._begin_change(t)
        port.change(t, voltage_v, current_limit_a, on)
        self._story.supply_moves(t, port)

    def supply_protection(self, name: str, channel: int, *, over_voltage_v: float | None, over_current: bool) -> None:
        """Trip levels; they act from the next change or reading on. [V, magnitude; None: none]"""
        port = self.ports.supplies[name, channel]
        port.over_voltage_v, port.over_current = over_voltage_v, over_current
        self._story.expect_over_voltage(self._story.now_s)

    def supply_clear_trip(self, name: str, channel: int, t: float) -> None:
        """The output stays off until it is switched on again. [s]"""
        port = self.ports.supplies[name, channel]
        self._begin_change(t)
        port.clear_trip(t)
        self._story.supply_moves(t, port)

    def supply_terminal(self, name: str, channel: int, t: float) -> SupplyTerminal:
        """One output as it is. [s]"""
        port = self.ports.supplies[name, channel]
        solution = self._story.at(t)
        mode: Mode = "constant current" if port in solution.limited else "constant voltage"
        circuit = self._story.circuit
        return SupplyTerminal(
            circuit.voltage_v(port, t, solution.points),
            circuit.current_a(port, solution.points),
            mode if port.is_on else "off",
            port.tripped,
        )

    # ------------------------------------------------------------------ voltmeters and chamber

    def voltage_at(self, voltmeter: str, t: float) -> float:
        """Of the detector or reference diode wired to it; an open input reads 0 V. [V]"""
        points, case_degc = self._story.at(t).points, self._story.case_degc
        found: list[float] = []
        for channel, point in zip(self.channels, points, strict=True):
            if voltmeter not in (channel.detector_voltmeter, channel.reference_voltmeter) or not channel.is_connected():
                continue
            voltage_v = channel.detector.reference_v(point.drain_v, case_degc)
            if voltmeter == channel.detector_voltmeter:
                output_dbm = point.response.output_dbm
                voltage_v += channel.detector.difference_v(point.frequency_hz, output_dbm, point.drain_v, case_degc)
            found.append(voltage_v)
        # Several channels on one voltmeter at once: equal source resistances, so their mean.
        return sum(found) / len(found) if found else 0.0

    def resistance_at(self, voltmeter: str, t: float) -> float:
        """Of the case's Pt100 if it is wired to this voltmeter, else infinite. [ohm]"""
        if voltmeter != self._case_voltmeter:
            return math.inf
        return float(pt100_resistance_ohm(self._story.case_at(t)))

    def chamber_changed(self, t: float, *, setpoint_degc: float, ramp_k_per_min: float, running: bool) -> None:
        """What the chamber was set to. [s, degC, K/min]"""
        self._begin_change(t)
        self._story.air_changes(t, setpoint_degc, ramp_k_per_min, running)
        if running and self._chamber is not None:
            low, high = self._chamber.temperature_min_degc, self._chamber.temperature_max_degc
            if not low <= setpoint_degc <= high:
                detail = f"set point {setpoint_degc:.4g} degC is outside {low:g} degC to {high:g} degC"
                self._watch.note(t, Abuse.CHAMBER_RANGE, detail)

    def air_temperature(self, t: float) -> float:
        """Of the chamber's air, at its sensor. [degC]"""
        self._story.advance(t)
        return self.air.air_degc(t) + self.air.ripple_k(t)

    # ------------------------------------------------------------------ for tests, faults and the end

    @property
    def truth(self) -> Truth:
        """What no instrument tells without its own error; for tests."""
        return Truth(self, self._story)

    @property
    def air(self) -> ChamberAir:
        """The chamber's air: the port a fault of the chamber acts on."""
        return self._story.air

    def alter(self, t: float, act: Callable[[], None]) -> None:
        """
        Let a fault act: `act` changes ports, channels or the air, and the world goes on from there. [s]

        Supplies are then told to move towards what they now say.
        """
        self._begin_change(t)
        self._story.stop(t)
        act()
        for port in self.ports.supplies.values():
            port.apply(t)
            self._story.supply_moves(t, port)
        for source in self.ports.sources.values():
            self._story.stop_at(t, source.ends_at, source.look_at)
        self._story.stop_at(t, t)

    def going_on(self, t: float) -> frozenset[tuple[str, str]]:
        """Abuse that has begun and not ended at `t`: where, and which kind. [s]"""
        self._begin_change(t)
        self._story.stop(t)
        return self._watch.going_on

    def finish(self, t: float) -> None:
        """
        End of the story: what is still energised goes into the ledger. [s]

        Twice is fine; if the story goes on after all, its next end is looked at again.
        """
        self._story.advance(t)
        self._story.stop(t)
        if self._is_finished:
            return
        self._is_finished = True
        for port in self.ports.supplies.values():
            if port.is_on and abs(port.target_v) > ENERGISED_V:
                self._watch.note(t, Abuse.LEFT_ENERGISED, f"{port.label} is on at {port.target_v:.4g} V")
        for source in self.ports.sources.values():
            if source.is_on:
                self._watch.note(t, Abuse.LEFT_ENERGISED, f"{source.name} is on at {source.level_dbm(t):.1f} dBm")
        air = self.air
        if air.is_running and abs(air.setpoint_degc - air.ambient_degc) > AWAY_FROM_AMBIENT_K:
            detail = f"chamber runs at {air.setpoint_degc:.4g} degC, the room has {air.ambient_degc:.4g} degC"
            self._watch.note(t, Abuse.LEFT_HOT_OR_COLD, detail)

    def _begin_change(self, t: float) -> None:
        self._story.begin_change(t)
        self._is_finished = False


class Truth:
    """The world as it is, free of noise and instruments' errors."""

    def __init__(self, world: World, story: Story) -> None:
        self._world, self._story = world, story

    def operating(self, channel: str, t: float) -> Operating:
        """Operating point of one channel. [s]"""
        names = [known.name for known in self._world.channels]
        return self._story.at(t).points[names.index(channel)]

    def case_degc(self, t: float) -> float:
        """Of the device's case. [degC]"""
        return self._story.case_at(t)
