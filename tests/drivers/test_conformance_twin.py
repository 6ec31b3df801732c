"""
Every driver keeps every promise of its role on the simulated bench, through the same link as on a real one.

The twin shares no SCPI code with drivers, roles and link: what agrees here was understood twice. Time is virtual.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.bench.load import Bench, load_bench
from benchkit.clock import VirtualClock
from benchkit.link import VisaLink, open_library
from benchkit.link.library import Library
from benchkit.roles import Instrument, driver_class
from benchkit.testing.conformance import (
    check_analyser,
    check_chamber,
    check_network_analyser,
    check_power_meter,
    check_source,
    check_supply,
    check_switch,
    check_voltmeter,
)

BENCH = Path(__file__).parents[1] / "data" / "conformance_bench.yaml"
FULL = Path(__file__).parents[2] / "sequences" / "benches" / "kd14_full.yaml"


class TwinBench:
    """Opens instruments of one twin, each time anew."""

    def __init__(self, bench: Bench, library: Library, clock: VirtualClock) -> None:
        self.bench, self.library, self.clock = bench, library, clock

    def open(self, name: str) -> Instrument:
        settings = self.bench.file.instruments[name]
        link = VisaLink(name, settings.address, self.library, self.clock)
        return driver_class(settings.driver, settings.role)(name, link, settings)


def twin_of(path: Path) -> TwinBench:
    clock = VirtualClock()
    return TwinBench(load_bench(path), open_library("twin", clock, bench_path=path), clock)


@pytest.fixture
def twin() -> TwinBench:
    return twin_of(BENCH)


def test_the_source_keeps_its_promises_on_the_twin(twin):
    check_source(lambda: twin.open("rf_source"))


def test_the_power_meter_keeps_its_promises_on_the_twin(twin):
    check_power_meter(lambda: twin.open("output_meter"))


def test_the_analyser_keeps_its_promises_on_the_twin(twin):
    check_analyser(lambda: twin.open("analyser"))


def test_the_network_analyser_keeps_its_promises_on_the_twin():
    twin = twin_of(FULL)

    check_network_analyser(lambda: twin.open("network_analyser"))


def test_the_full_benchs_analyser_keeps_its_promises_on_the_twin():
    """With ratings stated: attenuator steps, intercepts, noise floor."""
    twin = twin_of(FULL)

    check_analyser(lambda: twin.open("spectrum_analyser"))


@pytest.mark.parametrize("name", ["drain_supply", "gate_supply", "bare_supply"])
def test_a_supply_keeps_its_promises_on_the_twin(twin, name):
    """With channel lists, with outputs that are selected first, and without protections of its own."""
    check_supply(lambda: twin.open(name))


def test_a_voltmeter_keeps_its_promises_on_the_twin(twin):
    check_voltmeter(lambda: twin.open("detector_voltmeter"))


def test_the_case_sensors_voltmeter_keeps_its_promises_on_the_twin(twin):
    check_voltmeter(lambda: twin.open("case_voltmeter"), functions=("voltage", "resistance"))


def test_the_chamber_keeps_its_promises_on_the_twin(twin):
    """It is a chamber that speaks degrees Fahrenheit."""
    check_chamber(lambda: twin.open("chamber"))


def test_the_switch_keeps_its_promises_on_the_twin(twin):
    check_switch(lambda: twin.open("rf_switch"), positions=((101, 201), (102, 202)))
