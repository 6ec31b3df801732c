"""Faults on the served twin: the same words, over real sockets."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
from pathlib import Path

import pytest

from benchkit.bench.load import load_bench
from tests.scenario import BENCH, served_twin


def connect(bench: Path, name: str) -> socket.socket:
    found = re.fullmatch(r"TCPIP0?::(.+)::(\d+)::SOCKET", load_bench(bench).file.instruments[name].address)
    assert found is not None
    return socket.create_connection((found.group(1), int(found.group(2))), timeout=5)


def ask(wire: socket.socket, question: bytes) -> bytes:
    wire.sendall(question + b"\n")
    return wire.recv(200)


def test_a_reset_breaks_the_connection_and_a_new_one_works(tmp_path: Path) -> None:
    """What the other side sees is the end of the stream, or a reset; and then an instrument that knows its settings."""
    with served_twin(tmp_path, "--fault", "reset:output_meter@message 3") as twin:
        wire = connect(twin.bench, "output_meter")
        wire.sendall(b"AVER:COUN 7\n")
        assert ask(wire, b"AVER:COUN?").strip() == b"7"
        try:
            broken = ask(wire, b"*IDN?") == b"" or wire.recv(200) == b""
        except ConnectionError:
            broken = True
        wire.close()
        again = connect(twin.bench, "output_meter")
        count = ask(again, b"AVER:COUN?").strip()
        again.close()

    assert broken
    assert count == b"7"


def test_an_unplugged_instrument_takes_no_connection(tmp_path: Path) -> None:
    """And the others go on."""
    with served_twin(tmp_path, "--fault", "unplugged:output_meter@message 1") as twin:
        wire = connect(twin.bench, "rf_source")
        assert b"RF source" in ask(wire, b"*IDN?")
        dead = connect(twin.bench, "output_meter")
        try:
            answer = ask(dead, b"*IDN?")
        except ConnectionError:
            answer = b""
        still = ask(wire, b"*IDN?")
        wire.close()
        dead.close()

    assert answer == b""
    assert b"RF source" in still


@pytest.mark.parametrize("text", ["gate-last@3 s", "gate-lost@point 3", "gate-lost@random:3"])
def test_nonsense_is_refused_before_anything_is_served(text: str) -> None:
    """Exit code 2: the arguments are wrong."""
    done = subprocess.run(
        [sys.executable, "-m", "sim_instruments", "serve", str(BENCH), "--fault", text],
        capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip

    assert done.returncode == 2
    assert "ready" not in done.stdout
    assert text.partition("@")[0] in done.stderr
