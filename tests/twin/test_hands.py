"""Hands at the simulated bench: in process by a face of the library, served by a port of their own."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from benchkit.bench.load import load_bench
from benchkit.bench.open import open_bench
from benchkit.clock import VirtualClock
from sim_instruments.ledger import Abuse

BENCHES = Path(__file__).parents[2] / "sequences" / "benches"
FULL = BENCHES / "kd14_full.yaml"


def test_an_open_bench_says_whether_it_has_hands_and_they_change_what_is_measured():
    """A guided calibration asks a person where there are none."""
    bench, clock = load_bench(FULL), VirtualClock()
    with open_bench(bench, clock, library="twin", library_options={"bench": bench}) as opened:
        assert opened.hands is not None
        opened.prepare()
        analyser = opened.network_analyser("network_analyser")
        opened.switch("rf_switch").connect((111, 211))
        analyser.set_sweep(13.75e9, 14.5e9, 16)
        analyser.set_level(-20.0)
        analyser.set_if_bandwidth(1e3)
        analyser.set_averages(1)

        through = {}
        for what in ("thru", "load"):
            opened.hands.connect("A", what)
            assert opened.hands.connected("A") == what
            analyser.output_on()
            clock.sleep(analyser.settling_time_s)
            analyser.arm()
            through[what] = 20 * np.log10(np.abs(analyser.collect()[:, 1, 0]))
            analyser.output_off()

    assert np.all(through["thru"] > -25.0)
    assert np.all(through["load"] < -80.0)


def test_hands_are_careless_and_the_ledger_sees_it():
    bench, clock = load_bench(FULL), VirtualClock()
    opened = open_bench(bench, clock, library="twin", library_options={"bench": bench})
    library = opened.instruments["rf_source"]._link._connection._library.manager.visalib  # the twin behind it
    source = opened.source("rf_source")
    opened.prepare()
    opened.switch("rf_switch").connect((101, 201, 301))
    source.set_frequency(14e9)
    source.set_level(-35.0)
    source.output_on()

    library.hands.connect("A", "thru")
    opened.close()

    assert Abuse.HOT_CONNECTING in [entry.what for entry in library.twin.ledger.entries]


def test_served_they_have_a_port_of_their_own(tmp_path):
    out, ledger = tmp_path / "bench.yaml", tmp_path / "ledger.jsonl"
    process = subprocess.Popen(
        [sys.executable, "-m", "sim_instruments", "serve", str(FULL), "--write-bench", str(out), "--ledger", str(ledger)],
        stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        assert process.stdout is not None
        addresses = {}
        for line in process.stdout:
            if line.strip() == "ready":
                break
            name, address = line.split()
            addresses[name] = address.split("::")
        _, host, port, _ = addresses["hands"]
        with socket.create_connection((host, int(port)), timeout=10.0) as hands, hands.makefile("rwb") as file:
            file.write(b'FIXT:CONN "A","short";CONN? "A"\nFIXT:CONN "A","tru"\nSYST:ERR?\n')
            file.flush()
            assert file.readline() == b'"short"\n'
            assert file.readline().startswith(b'-224,"Illegal parameter value;nothing called')
    finally:
        process.terminate()
        process.wait(20)
        process.stdout.close()

    assert "hands" not in load_bench(out).file.instruments
    assert [json.loads(line) for line in ledger.read_text().splitlines()] == []


@pytest.mark.parametrize("bench", ["kd14.yaml", "kd14_full.yaml"])
def test_where_paths_can_be_measured_there_are_hands_for_it_network_analyser_or_not(bench):
    """A power sensor at the device's plane is connected by hand, too."""
    from sim_instruments.twin import build_twin

    twin = build_twin(load_bench(BENCHES / bench), VirtualClock())
    for what in ("sensor at source", "sensor", "thru", "device"):
        twin.hands.connect("A", what)
        assert twin.hands.connected("A") == what
