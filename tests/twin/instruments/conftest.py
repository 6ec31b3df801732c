"""An instrument on a desk: a world of plain numbers behind it, a console in front of it, time that moves by hand."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import pytest

from benchkit.bench.model import (
    AnalyserSettings,
    ChamberSettings,
    PowerMeterSettings,
    SourceSettings,
    SupplySettings,
    SwitchSettings,
    VoltmeterSettings,
)
from sim_instruments.instruments import Port, SimulatedInstrument
from sim_instruments.instruments.analyser import SimulatedAnalyser
from sim_instruments.instruments.chamber import SimulatedChamber
from sim_instruments.instruments.factory import OPTIONS_OF_ROLE
from sim_instruments.instruments.options import read_options
from sim_instruments.instruments.power_meter import SimulatedPowerMeter
from sim_instruments.instruments.source import SimulatedSource
from sim_instruments.instruments.supply import SimulatedSupply
from sim_instruments.instruments.switch import SimulatedSwitch
from sim_instruments.instruments.voltmeter import SimulatedVoltmeter


@dataclass
class Terminal:
    voltage_v: float = 0.0
    current_a: float = 0.0
    mode: str = "off"
    tripped: str = ""


@dataclass
class DeskWorld:
    """What the terminals show is what the test says."""

    level_dbm: float = -math.inf
    lines: list[tuple[float, float]] = field(default_factory=list)
    voltage_v: float = 0.0
    resistance_ohm: float = math.inf
    air_degc: float = 25.0
    load_ohm: float = 50.0
    source: dict[str, Any] = field(default_factory=dict)
    chamber: dict[str, Any] = field(default_factory=dict)
    routes: frozenset[int] = frozenset()
    terminals: dict[int, Terminal] = field(default_factory=dict)
    protection: dict[int, tuple[float | None, bool]] = field(default_factory=dict)
    last_t: float = 0.0

    def _at(self, t: float) -> None:
        assert t >= self.last_t, "the world was asked about the past"
        self.last_t = t

    def source_changed(self, name: str, t: float, **state: Any) -> None:
        self._at(t)
        self.source = state

    def power_at(self, meter: str, t: float) -> float:
        self._at(t)
        return self.level_dbm

    def spectrum_at(self, analyser: str, t: float) -> list[tuple[float, float]]:
        self._at(t)
        return self.lines

    def supply_changed(self, name: str, channel: int, t: float, *, voltage_v: float, current_limit_a: float, on: bool) -> None:
        self._at(t)
        tripped = self.terminals[channel].tripped if channel in self.terminals else ""
        voltage_v = voltage_v if on and not tripped else 0.0
        self.terminals[channel] = Terminal(voltage_v, voltage_v / self.load_ohm, "off", tripped)

    def supply_protection(self, name: str, channel: int, *, over_voltage_v: float | None, over_current: bool) -> None:
        self.protection[channel] = (over_voltage_v, over_current)

    def supply_clear_trip(self, name: str, channel: int, t: float) -> None:
        self.terminals[channel].tripped = ""

    def supply_terminal(self, name: str, channel: int, t: float) -> Terminal:
        self._at(t)
        return self.terminals[channel]

    def voltage_at(self, voltmeter: str, t: float) -> float:
        self._at(t)
        return self.voltage_v

    def resistance_at(self, voltmeter: str, t: float) -> float:
        self._at(t)
        return self.resistance_ohm

    def chamber_changed(self, t: float, **state: Any) -> None:
        self._at(t)
        self.chamber = state

    def air_temperature(self, t: float) -> float:
        self._at(t)
        return self.air_degc

    def routes_changed(self, switch: str, routes: frozenset[int], t: float) -> None:
        self._at(t)
        self.routes = routes


class Console:
    """Types messages at one instrument; waiting for a reply moves the time to when it is ready."""

    def __init__(self, instrument: SimulatedInstrument, t: float, *, is_stream: bool = True) -> None:
        self.instrument = instrument
        self.port: Port = instrument.open_port(is_stream=is_stream)
        self.t = t

    def write(self, message: str) -> None:
        self.instrument.wake(self.t)
        self.port.write(message.encode("latin-1") + b"\n", self.t)

    def read(self) -> str:
        while not self.port.replies:
            assert self.instrument.wakes_at < math.inf, "no answer will come"
            self.t = max(self.t, self.instrument.wakes_at)
            self.instrument.wake(self.t)
        reply = self.port.replies.popleft()
        self.t = max(self.t, reply.ready_at)
        assert reply.data.endswith(b"\n")
        return reply.data[:-1].decode("latin-1")

    def ask(self, message: str) -> str:
        self.write(message)
        return self.read()

    def number(self, message: str) -> float:
        return float(self.ask(message))

    def errors(self) -> list[int]:
        """Numbers in the error queue, oldest first; empties it."""
        text = self.ask("SYST:ERR:CODE:ALL?")
        return [] if text == "0" else [int(code) for code in text.split(",")]


@pytest.fixture
def world() -> DeskWorld:
    return DeskWorld()


ADDRESS = {"driver": "scpi", "address": "TCPIP0::192.0.2.1::5025::SOCKET"}
ACCURACY_V = {"of_reading_percent": 0.02, "floor_v": 0.002}
ACCURACY_A = {"of_reading_percent": 0.05, "floor_a": 0.0002}

SETTINGS: dict[str, tuple[type, type, dict[str, Any]]] = {
    "source": (
        SimulatedSource,
        SourceSettings,
        {
            "level_min_dbm": -40.0, "level_max_dbm": 15.0, "level_accuracy_db": 0.4,
            "frequency_min_hz": 10e6, "frequency_max_hz": 20e9, "settling_time_s": 0.005,
        },
    ),
    "power meter": (
        SimulatedPowerMeter,
        PowerMeterSettings,
        {
            "input_max_dbm": 23.0, "range_min_dbm": -60.0, "range_max_dbm": 20.0, "accuracy_db": 0.1,
            "frequency_min_hz": 10e6, "frequency_max_hz": 18e9, "reading_time_s": 0.04,
        },
    ),
    "analyser": (
        SimulatedAnalyser,
        AnalyserSettings,
        {
            "input_max_dbm": 30.0, "range_min_dbm": -100.0, "range_max_dbm": 20.0, "accuracy_db": 0.5,
            "frequency_min_hz": 9e3, "frequency_max_hz": 26.5e9, "reading_time_s": 0.1,
        },
    ),
    "supply": (
        SimulatedSupply,
        SupplySettings,
        {
            "reading_time_s": 0.02, "settling_time_s": 0.01,
            "channels": {
                1: {"voltage_max_v": 20.0, "current_max_a": 2.0,
                    "voltage_accuracy": ACCURACY_V, "current_accuracy": ACCURACY_A},
                2: {"voltage_min_v": -5.0, "voltage_max_v": 0.0, "current_max_a": 0.1,
                    "voltage_accuracy": ACCURACY_V, "current_accuracy": ACCURACY_A},
            },
        },
    ),
    "voltmeter": (
        SimulatedVoltmeter,
        VoltmeterSettings,
        {
            "voltage_max_v": 10.0, "voltage_accuracy": {"of_reading_percent": 0.004, "floor_v": 50e-6},
            "resistance_accuracy": {"of_reading_percent": 0.01, "floor_ohm": 0.004}, "reading_time_s": 0.02,
        },
    ),
    "chamber": (
        SimulatedChamber,
        ChamberSettings,
        {
            "temperature_min_degc": -60.0, "temperature_max_degc": 130.0, "ramp_k_per_min": 3.0, "accuracy_k": 0.5,
            "reading_time_s": 0.05,
        },
    ),
    "switch": (SimulatedSwitch, SwitchSettings, {"power_max_dbm": 33.0, "settling_time_s": 0.015}),
}  # fmt: skip


@pytest.fixture
def make(world: DeskWorld) -> Callable[..., Console]:
    """`make("supply", twin={...}, settings={...})`: an instrument of that role on a console."""

    def build(
        role: str,
        *,
        twin: dict[str, Any] | None = None,
        settings: dict[str, Any] | None = None,
        seed: int = 1,
        name: str = "dut",
        is_stream: bool = True,
    ) -> Console:
        kind, model, values = SETTINGS[role]
        options = read_options(OPTIONS_OF_ROLE[role], twin or {}, file="bench.yaml", instrument=name)
        extra = {"wired": frozenset({101, 102, 201, 202})} if role == "switch" else {}
        parsed = model(role=role, **ADDRESS, **values | (settings or {}))
        return Console(kind(name, parsed, options, world, seed=seed, t=world.last_t, **extra), world.last_t, is_stream=is_stream)

    return build
