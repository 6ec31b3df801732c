"""Nonsense in, a message and the right exit code out; nothing energised, nothing lost, never a traceback."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from benchkit.cli.errors import report_error
from benchkit.cli.main import app
from tests.scenario import BENCH, OVERNIGHT, SHORT, changed

TABLES = ("../paths/", str(BENCH.parent.parent / "paths").lstrip("/") + "/")


@pytest.fixture(autouse=True)
def own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A command writes into the folder it is called from, and tells notices from the user's state folder."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))


def call(*arguments: str | Path) -> tuple[int, str]:
    """Exit code, and everything said; errors go through the command's own handler."""
    result: Result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    said = result.output
    code = result.exit_code
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        said += str(result.exception)
        code = report_error(result.exception)
    return code, said


def bench_with(tmp_path: Path, *changes: tuple[str, str]) -> Path:
    """The shipped bench with a change, in a folder beside copies of what it names."""
    for folder in ("paths", "twin"):
        target = tmp_path / folder
        target.mkdir(exist_ok=True)
        for source in (BENCH.parent.parent / folder).iterdir():
            (target / source.name).write_bytes(source.read_bytes())
    return changed(BENCH, tmp_path / "benches", *changes)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("    tolerance: 1 K", "    tolerence: 1 K", ["tolerence", "tolerance"]),
        ("step: 125 MHz", "step: 125", ["measurements[1].frequency.step", "unit"]),
        ("step: 125 MHz", "step: 125 dBm", ["measurements[1].frequency.step", "125 dBm"]),
        ("from: 13.75 GHz, to: 14.5 GHz", "from: 14.5 GHz, to: 13.75 GHz", ["measurements[1].frequency", "14.5 GHz", "ascends"]),
        ("to: 9 dBm", "to: 14 dBm", ["measurements[1].drive"]),
        ("[25 degC, -30 degC, 70 degC]", "[25 degC, -30 degC, 150 degC]", ["conditions.temperature.values", "150 degC"]),
        ("from: 13.75 GHz", "from: 12.25 GHz", ["measurements[1].frequency", "extrapolated"]),
        ("to: 14.5 GHz, step: 125 MHz", "to: 40 GHz, step: 125 MHz", ["measurements[1].frequency", "rf_source"]),
        ("kind: compression", "kind: compresion", ["compresion", "compression"]),
        ("  supply_voltage: 6 V", "  supply_voltage: 6 V\n  channels: [A, C]", ["conditions.channels", "C"]),
        ("parameter: p1db, min: 26 dBm", "parameter: p1bd, min: 26 dBm", ["p1bd", "p1db"]),
        ("parameter: p1db, min: 26 dBm", "parameter: p1db, min: 26 dB", ["expectations[3].min", "26 dB"]),
        ("gate_step_max: 0.1 V", "gate_step_max: 1e-17 V", ["bias.gate_step_max"]),
        ("channels: [A, B]", "channels: [A, BROADBAND]", ["device.channels[1]", "BROADBAND"]),
        ("input_power_max: 12 dBm", "input_power_max: 1e5 dBm", ["limits.input_power_max", "1e5 dBm"]),
        ("part: KD14", "part: !!python/object/apply:os.system [echo]", ["tag"]),
        ("part: KD14", "part: &x KD14\n  copy: *x", ["anchor"]),
    ],
)
def test_a_mistake_in_a_sequence_is_told_with_file_line_and_key(tmp_path: Path, old: str, new: str, says: list[str]) -> None:
    """Found at six in the evening, not at two in the morning."""
    sequence = changed(OVERNIGHT, tmp_path, (old, new))
    lines = zip(OVERNIGHT.read_text().splitlines(), sequence.read_text().splitlines(), strict=False)
    changed_line = next(number for number, (was, now) in enumerate(lines, 1) if was != now)

    code, said = call("check", sequence, "--bench", BENCH)

    assert code == 2
    assert "Traceback" not in said
    assert "kd14_overnight.yaml:" in said
    for words in says:
        assert words in said
    told = {int(rest.split(":")[0]) for rest in said.split("kd14_overnight.yaml:")[1:]}
    assert told & {changed_line, changed_line + 1}
    for verb in (["rehearse", sequence, "--bench", BENCH], ["run", sequence, "--bench", BENCH, "--unit", "x"]):
        assert call(*verb)[0] == 2
    assert not list(tmp_path.glob("*.h5"))


def test_every_mistake_of_both_files_is_told_at_once(tmp_path: Path) -> None:
    """Ten mistakes should not take ten tries."""
    wrong = (("tolerance: 2 mA", "tolerance: 2"), ("tolerance: 1 K", "tolerance: 1 V"), ("notes:", "nots:"))
    sequence = changed(OVERNIGHT, tmp_path, *wrong)
    bench = bench_with(tmp_path, ("role: switch", "role: swich"), ("voltage_max: 20 V", "voltage_max: 20 A"))

    code, said = call("check", sequence, "--bench", bench)

    assert code == 2
    assert said.count("kd14_overnight.yaml:") >= 3
    assert said.count("kd14.yaml:") >= 2


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("role: power meter", "role: voltmeter", ["role"]),
        ("192.0.2.12", "192.0.2.11", ["output_meter.address", "rf_source"]),
        ("TCPIP0::192.0.2.12", "TCPIP::192.0.2.11", ["output_meter.address", "rf_source"]),
        ("driver: scpi-switch", "driver: scpi-swich", ["scpi-swich", "scpi-switch"]),
        ("../paths/input_a.csv", "../paths/nowhere.csv", ["nowhere.csv"]),
        ("power_meter: output_meter", "power_meter: output_metre", ["output_metre", "output_meter"]),
    ],
)
def test_a_mistake_in_a_bench_file_is_told(tmp_path: Path, old: str, new: str, says: list[str]) -> None:
    """Two instruments on one address, a role that is not on the bench, a table that is not there."""
    bench = bench_with(tmp_path, (old, new))

    code, said = call("check", OVERNIGHT, "--bench", bench)

    assert code == 2
    assert "Traceback" not in said
    for words in says:
        assert words in said


@pytest.mark.parametrize(
    "content",
    [
        b"", b"\x00\x01\x02\xff", b"\xff\xfe", b"- just\n- a list\n", b"a: [1, 2", b"{" * 2000,
        b"key: value\nkey: again\n", b"x" * 3_000_000,
    ],
)
@pytest.mark.parametrize("verb", ["check", "rehearse"])
def test_junk_files_end_in_a_message(tmp_path: Path, content: bytes, verb: str) -> None:
    """Whatever a disk or a mail program has done to a file."""
    junk = tmp_path / "junk.yaml"
    junk.write_bytes(content)

    for arguments in ((verb, junk, "--bench", BENCH), (verb, SHORT, "--bench", junk)):
        code, said = call(*arguments)
        assert code == 2
        assert "junk.yaml" in said
        assert "unforeseen" not in said


def test_a_missing_file_is_told(tmp_path: Path) -> None:
    missing = tmp_path / "no.yaml"
    for arguments in (("check", missing), ("report", tmp_path / "no.h5"), ("identify", "--bench", missing)):
        code, said = call(*arguments)
        assert code == 2
        assert "no." in said


def test_an_output_that_exists_is_never_overwritten(tmp_path: Path) -> None:
    """Somebody's last month."""
    out = tmp_path / "precious.h5"
    out.write_text("precious")

    code, said = call("rehearse", SHORT, "--out", out)

    assert code == 2
    assert "precious.h5 exists" in said
    assert out.read_text() == "precious"
    assert call("rehearse", SHORT, "--out", tmp_path / "new.h5", "--report", out)[0] == 2
    assert not (tmp_path / "new.h5").exists()


def test_a_file_that_is_no_record_is_refused_by_every_verb_that_reads_one(tmp_path: Path) -> None:
    junk = tmp_path / "junk.h5"
    junk.write_bytes(b"\x89HDF\r\n\x1a\n" + b"\x00" * 100)

    for arguments in (("report", junk), ("export", junk, "--to", "csv")):
        code, said = call(*arguments)
        assert code == 2
        assert "junk.h5" in said
        assert "unforeseen" not in said


@contextmanager
def nonsense_server(reply: bytes) -> Iterator[int]:
    """Answers every message with the same bytes; with none at all when they are empty."""
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(30)
    stop = threading.Event()

    def serve() -> None:
        while not stop.is_set():
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            with connection:
                while connection.recv(4096):
                    if reply:
                        connection.sendall(reply)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        stop.set()
        listener.close()


@pytest.mark.parametrize(("reply", "says"), [(b"", "not answered"), (b"flapdoodle\n", "flapdoodle"), (b"\xff\xfe\x00\n", "")])
def test_an_instrument_that_is_silent_or_answers_nonsense_is_named_and_nothing_is_energised(
    tmp_path: Path, reply: bytes, says: str
) -> None:
    """The others are still identified; a run stops before its first output comes on."""
    with nonsense_server(reply) as port:
        bench = bench_with(
            tmp_path,
            ("TCPIP0::192.0.2.11::5025::SOCKET", f"TCPIP0::127.0.0.1::{port}::SOCKET"),
            ("    role: source\n", "    role: source\n    timeout: 200 ms\n"),
        )
        for number in range(12, 20):
            # A port of this computer that nobody listens on: refused at once.
            text = bench.read_text().replace(f"TCPIP0::192.0.2.{number}::5025", f"TCPIP0::127.0.0.1::{number}")
            bench.write_text(text)

        identified, rows = call("identify", "--bench", bench)
        ran, said = call("run", SHORT, "--bench", bench, "--unit", "x", "--out", tmp_path / "a.h5")

    assert identified == 3
    assert rows.count("DID NOT ANSWER") >= 8
    assert "rf_source" in rows
    assert ran == 3
    assert "rf_source" in said
    assert says in said or says in rows
    assert "unforeseen" not in said
    assert not (tmp_path / "a.h5").exists()
