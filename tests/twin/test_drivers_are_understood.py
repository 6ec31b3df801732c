"""Every command a shipped driver can send is one that the simulated instrument of its role knows."""

from __future__ import annotations

import string
from importlib.metadata import entry_points
from pathlib import Path

import pytest

from benchkit.bench.load import load_bench
from benchkit.clock import VirtualClock
from sim_instruments.instruments import Port
from sim_instruments.visa import open_library

BENCH = Path(__file__).parents[2] / "sequences" / "benches" / "kd14_full.yaml"

# A believable value for every field of the drivers' templates.
VALUES: dict[str, dict[str, float | int | str]] = {
    "scpi-source": {"frequency_hz": 14.125e9, "level_dbm": -12.5},
    "scpi-power-meter": {"frequency_hz": 14.125e9, "averages": 4},
    "scpi-analyser": {
        "frequency_hz": 14.125e9, "span_hz": 1e6, "bandwidth_hz": 1e4, "level_dbm": 0.0, "attenuation_db": 20.0,
        "points": 501,
    },
    "scpi-network-analyser": {
        "level_dbm": -20.0, "bandwidth_hz": 1e3, "averages": 2, "trace": 3, "output_port": 1, "input_port": 2,
        "start_hz": 14e9, "stop_hz": 14.5e9, "points": 101, "frequencies": "14000000000,14100000000,14300000000",
    },
    "scpi-supply": {"channel": 1, "voltage_v": 1.5, "current_a": 0.05},
    "scpi-voltmeter": {},
    "scpi-chamber": {"temperature": 40.0, "ramp": 2.0, "low": -40.0, "high": 85.0},
    "scpi-switch": {"routes": "101,201"},
}  # fmt: skip
INSTRUMENT = {
    "scpi-source": "rf_source", "scpi-power-meter": "output_meter", "scpi-analyser": "spectrum_analyser",
    "scpi-network-analyser": "network_analyser",
    "scpi-supply": "drain_supply", "scpi-voltmeter": "case_voltmeter", "scpi-chamber": "chamber",
    "scpi-switch": "rf_switch",
}  # fmt: skip

@pytest.mark.parametrize("driver", sorted(VALUES))
def test_every_template_of_a_driver_is_accepted(driver):
    """What a driver sends and the twin does not know would be found on the first night; here it is found now."""
    bench = load_bench(BENCH)
    clock = VirtualClock()
    instrument = open_library(clock, bench=bench).twin.instruments[INSTRUMENT[driver]]
    templates = entry_points(group="benchkit.drivers")[driver].load().COMMANDS
    refused = {}
    for name, template in templates.items():
        fields = {field for _, field, _, _ in string.Formatter().parse(template) if field}
        if not fields <= set(VALUES[driver]):
            continue
        message = template.format(**VALUES[driver])
        if not message.lstrip("*").startswith((":", "CLS", "RST")) and ":" not in message:
            continue  # a value of the dialect, not a command
        port: Port = instrument.open_port()
        # A reading still under way would be a reason to refuse that has nothing to do with the header.
        clock.sleep(60.0)
        instrument.wake(clock.monotonic())
        port.write(message.encode() + b"\n", clock.monotonic())
        clock.sleep(60.0)
        instrument.wake(clock.monotonic())
        errors = instrument.status.errors.all()
        if errors != '0,"No error"' or port.has_reply != ("?" in message):
            refused[name] = (message, errors)

    assert refused == {}
