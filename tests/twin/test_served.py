"""The twin over TCP: a process of its own, each instrument on its port, replies when they are ready, in real time."""

from __future__ import annotations

import contextlib
import json
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from benchkit.bench.load import load_bench
from benchkit.bench.open import open_bench
from benchkit.clock import WallClock

BENCH = Path(__file__).parents[2] / "sequences" / "benches" / "kd14.yaml"
START_S = 30.0


class Served:
    """A running `python -m sim_instruments serve`."""

    def __init__(self, *arguments: str) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "sim_instruments", "serve", str(BENCH), *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        self.addresses: dict[str, tuple[str, int]] = {}
        assert self.process.stdout is not None
        for line in self.process.stdout:
            if line.strip() == "ready":
                return
            name, address = line.split()
            _, host, port, _ = address.split("::")
            self.addresses[name] = (host, int(port))
        assert self.process.stderr is not None
        raise AssertionError(f"not ready: {self.process.stderr.read()}")

    def connect(self, name: str) -> Client:
        return Client(self.addresses[name])

    def stop(self, number: int = signal.SIGTERM) -> int:
        self.process.send_signal(number)
        return self.process.wait(START_S)

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()


class Client:
    """A bare socket: nothing of ours between the test and the server."""

    def __init__(self, address: tuple[str, int]) -> None:
        self.socket = socket.create_connection(address, timeout=10.0)
        self.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._file = self.socket.makefile("rb")

    def write(self, message: str) -> None:
        self.socket.sendall(message.encode("ascii") + b"\n")

    def read(self) -> str:
        line = self._file.readline()
        assert line.endswith(b"\n"), f"closed after {line!r}"
        return line[:-1].decode("ascii")

    def ask(self, message: str) -> str:
        self.write(message)
        return self.read()

    def close(self) -> None:
        self._file.close()
        self.socket.close()


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    twin = Served("--write-bench", str(tmp_path_factory.mktemp("served") / "copy.yaml"))
    try:
        yield twin
    finally:
        twin.end()


@pytest.fixture
def client(served: Served) -> Iterator[object]:
    """`client("output_meter")`: a connection that is closed at the end."""
    with contextlib.ExitStack() as stack:

        def connect(name: str) -> Client:
            connection = served.connect(name)
            stack.callback(connection.close)
            return connection

        yield connect


def test_every_instrument_has_a_port_of_its_own(served, client):
    """And answers for itself there."""
    bench = load_bench(BENCH)
    assert set(served.addresses) == {*bench.file.instruments, "hands"}
    assert len({port for _, port in served.addresses.values()}) == len(served.addresses)

    assert client("rf_source").ask("*IDN?").split(",")[1] == "RF source"
    assert client("chamber").ask("*IDN?").split(",")[1] == "Thermal chamber"


def test_a_reading_takes_real_time_and_readings_overlap(client):
    """Three 40 ms readings and more, begun together, come together: longer than one, shorter than their sum."""
    names = ("output_meter", "detector_voltmeter", "reference_voltmeter", "case_voltmeter", "drain_supply")
    instruments = [client(name) for name in names]
    for instrument in instruments:
        instrument.ask("*OPC?")
    start = time.monotonic()
    for instrument in instruments[:-1]:
        instrument.write("AVER:COUN 10;:INIT;FETC?" if instrument is instruments[0] else "VOLT:NPLC 20;:INIT;:FETC?")
    instruments[-1].write("MEAS:VOLT? (@1);:MEAS:CURR? (@1)")

    for instrument in instruments:
        instrument.read()

    elapsed = time.monotonic() - start
    assert 0.39 < elapsed < 1.2, "the sum would be 1.6 s"


def test_a_command_is_executed_while_a_measurement_runs(client):
    """RF off from the same or another connection does not wait for a reading of two seconds."""
    meter, source = client("output_meter"), client("rf_source")
    meter.ask("*OPC?")
    meter.write("AVER:COUN 50;:READ?")
    start = time.monotonic()

    other = client("output_meter")
    assert other.ask("AVER:COUN?") == "50"
    source.write("OUTP OFF")
    assert source.ask("OUTP?") == "0"

    assert time.monotonic() - start < 1.5
    meter.write("*RST")


def test_two_connections_share_the_instrument_and_not_the_answers(client):
    """Settings are the instrument's; answers go to who asked."""
    one, other = client("rf_source"), client("rf_source")
    one.write("POW -17.25;*OPC?")
    assert other.ask("POW?") == "-1.72500000000E+01"
    assert one.read() == "1"


def test_messages_may_come_in_pieces_or_several_at_once(client):
    """TCP keeps bytes in order and nothing else."""
    source = client("rf_source")
    source.socket.sendall(b"POW -13;PO")
    source.socket.sendall(b"W?\nFREQ 14 GHZ\nFREQ?\n*OPC?\n")

    assert [source.read() for _ in range(3)] == ["-1.30000000000E+01", "+1.40000000000E+10", "1"]


def test_a_connection_that_breaks_off_disturbs_nobody(served, client):
    """A killed run leaves sockets behind; the next connection works."""
    for _ in range(5):
        gone = served.connect("output_meter")
        gone.write("READ?")
        gone.close()

    assert client("output_meter").ask("*OPC?") == "1"


def test_the_copied_bench_file_is_good_for_a_run(served):
    """Addresses of the ports, the py library, and table names that still find their files."""
    copy = Path(served.process.args[served.process.args.index("--write-bench") + 1])
    bench = load_bench(copy)
    original = load_bench(BENCH)

    assert bench.file.link.library == "py"
    for name, settings in bench.file.instruments.items():
        host, port = served.addresses[name]
        assert settings.address == f"TCPIP0::{host}::{port}::SOCKET"
    assert list(bench.table_files.values()) == list(original.table_files.values())
    with open_bench(bench, WallClock()) as opened:
        opened.prepare()
        assert [row.trouble for row in opened.identify()] == [""] * len(bench.file.instruments)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGTERM to send to another process")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_stopping_writes_the_ledger_and_is_no_error(number, tmp_path):
    """What is still energised when the bench goes down stands in the ledger."""
    ledger = tmp_path / "ledger.jsonl"
    twin = Served("--ledger", str(ledger))
    try:
        supply = twin.connect("drain_supply")
        assert supply.ask("VOLT 1,(@1);:OUTP ON,(@1);*OPC?") == "1"

        code = twin.stop(number)

        supply.close()
        assert code == 0
        kinds = [json.loads(line)["what"] for line in ledger.read_text().splitlines()]
        assert "left energised" in kinds
    finally:
        twin.end()


def test_mistakes_end_with_exit_code_2_and_say_why(tmp_path):
    """Files or arguments that are wrong; a file that is not a former copy is not replaced."""
    mine = tmp_path / "mine.yaml"
    mine.write_text("bench: mine\n")
    command = [sys.executable, "-m", "sim_instruments", "serve", str(BENCH), "--write-bench", str(mine)]

    result = subprocess.run(command, capture_output=True, text=True, timeout=START_S, check=False)

    assert result.returncode == 2
    assert "exists and is no copy" in result.stderr
    assert mine.read_text() == "bench: mine\n"
