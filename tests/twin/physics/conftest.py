"""A world of the KD14 scenario, and somebody who works on it: carefully, unless told otherwise."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from benchkit.bench.load import Bench, load_bench
from benchkit.clock import VirtualClock
from sim_instruments.device_file import DeviceFile, load_device_file
from sim_instruments.ledger import Ledger
from sim_instruments.world import World

SEQUENCES = Path(__file__).parents[3] / "sequences"
ROUTES = {"A": frozenset({101, 201, 301}), "B": frozenset({102, 202, 302}), "": frozenset[int]()}
OUTPUT = {"A": 1, "B": 2}
F0_HZ = 14.125e9


class Worker:
    """Does to a world what a person with the instruments' knobs would; keeps the time."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.t = 0.0

    def wait(self, seconds: float) -> None:
        self.t += seconds

    def route(self, channel: str) -> None:
        self.world.routes_changed("rf_switch", ROUTES[channel], self.t)

    def gate(self, voltage_v: float, *, channel: str = "A", on: bool = True, limit_a: float = 5e-3, wait_s: float = 0.1) -> None:
        self.world.supply_changed("gate_supply", OUTPUT[channel], self.t, voltage_v=voltage_v, current_limit_a=limit_a, on=on)
        self.wait(wait_s)

    def drain(self, voltage_v: float, *, channel: str = "A", on: bool = True, limit_a: float = 2.0, wait_s: float = 0.1) -> None:
        self.world.supply_changed("drain_supply", OUTPUT[channel], self.t, voltage_v=voltage_v, current_limit_a=limit_a, on=on)
        self.wait(wait_s)

    def rf(self, level_dbm: float, *, on: bool = True, frequency_hz: float = F0_HZ, wait_s: float = 0.05) -> None:
        self.world.source_changed("rf_source", self.t, frequency_hz=frequency_hz, level_dbm=level_dbm, on=on)
        self.wait(wait_s)

    def drive(self, level_dbm: float, *, channel: str = "A", frequency_hz: float = F0_HZ, wait_s: float = 0.05) -> None:
        """A true level at the device's input."""
        path = self.world.ports.paths[f"input_{channel.lower()}"]
        self.rf(level_dbm + path.loss_db(frequency_hz), frequency_hz=frequency_hz, wait_s=wait_s)

    def current_a(self, channel: str = "A") -> float:
        return self.world.supply_terminal("drain_supply", OUTPUT[channel], self.t).current_a

    def trim(self, current_a: float = 0.22, *, channel: str = "A") -> float:
        """Gate voltage at which the drain draws this much; approached from below. [V]"""
        low_v, high_v = -1.8, -0.2
        self.gate(low_v, channel=channel)
        for _ in range(24):
            middle_v = 0.5 * (low_v + high_v)
            self.gate(middle_v, channel=channel)
            if self.current_a(channel) < current_a:
                low_v = middle_v
            else:
                high_v = middle_v
        return low_v

    def bias_up(self, channel: str = "A", *, drain_v: float = 6.0) -> None:
        self.route(channel)
        self.wait(0.05)
        self.gate(-2.5, channel=channel)
        self.drain(drain_v, channel=channel)
        self.trim(channel=channel)

    def bias_down(self, channel: str = "A") -> None:
        self.rf(-40.0, on=False)
        self.gate(-2.5, channel=channel)
        self.drain(0.0, channel=channel, on=False)
        self.gate(0.0, channel=channel, on=False)

    @property
    def abuses(self) -> list[str]:
        return [entry.what for entry in self.world.ledger.entries]


@pytest.fixture(scope="session")
def bench() -> Bench:
    return load_bench(SEQUENCES / "benches" / "kd14.yaml")


@pytest.fixture(scope="session")
def device_file() -> DeviceFile:
    return load_device_file(SEQUENCES / "twin" / "kd14_device.yaml")


@pytest.fixture
def make_worker(bench: Bench) -> Callable[..., Worker]:
    def make(*, seed: int = 1, unit: str = "L07-W1-01") -> Worker:
        return Worker(World(bench, VirtualClock(), seed=seed, unit=unit, ledger=Ledger()))

    return make


@pytest.fixture
def worker(make_worker: Callable[..., Worker]) -> Worker:
    return make_worker()
