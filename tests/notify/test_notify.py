"""Somebody is told, by each way; and whatever goes wrong with telling, the run does not notice. Loopback only."""

from __future__ import annotations

import json
import os
import signal
import socketserver
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

import benchkit
from benchkit.bench.load import load_bench, load_bench_text
from benchkit.campaign import rehearse
from benchkit.campaign.repeat import plan_repeat
from benchkit.cli.main import app
from benchkit.errors import FileError
from benchkit.notify import EmailSettings, Notifier, NotifySettings, message_of
from benchkit.notify.notifier import QUIET_S
from benchkit.sequence.load import load_sequence
from tests.scenario import BENCH, OVERNIGHT, SHORT, changed, served_twin

# Adds what it is told to a file, a line each.
LISTENER = "import sys; open(sys.argv[1], 'a').write(sys.stdin.read() + '\\n')"


@pytest.fixture(autouse=True)
def no_proxy(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing here leaves this computer."""
    monkeypatch.setenv("no_proxy", "*")


def listener(into: Path, **more: Any) -> NotifySettings:
    return NotifySettings(command=(sys.executable, "-c", LISTENER, str(into)), **more)


def program(text: str, **more: Any) -> NotifySettings:
    return NotifySettings(command=(sys.executable, "-c", text), **more)


def told(path: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


@contextmanager
def serving(server: socketserver.BaseServer) -> Iterator[None]:
    thread = threading.Thread(target=server.serve_forever, args=(0.02,))
    thread.start()
    try:
        yield
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


class Web(HTTPServer):
    code = 200

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), WebHandler)
        self.got: list[dict[str, Any]] = []

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.server_port}/hook?token=secret"


class WebHandler(BaseHTTPRequestHandler):
    server: Web

    def do_POST(self) -> None:
        self.server.got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
        self.send_response(self.server.code)
        self.end_headers()

    def log_message(self, *_: object) -> None: ...


class Mail(socketserver.TCPServer):
    allow_reuse_address = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), MailHandler)
        self.got: list[str] = []


class MailHandler(socketserver.StreamRequestHandler):
    """As much of RFC 5321 as one message needs."""

    server: Mail

    def handle(self) -> None:
        self.wfile.write(b"220 here\r\n")
        while line := self.rfile.readline():
            word = line.split()[0].upper() if line.split() else b""
            if word == b"DATA":
                self.wfile.write(b"354 go on\r\n")
                lines = []
                while (part := self.rfile.readline()) not in (b".\r\n", b""):
                    lines.append(part.decode())
                self.server.got.append("".join(lines))
            self.wfile.write(b"221 bye\r\n" if word == b"QUIT" else b"250 ok\r\n")
            if word == b"QUIT":
                return


def test_a_command_gets_the_whole_message_when_a_run_is_done(tmp_path: Path) -> None:
    """What a script needs to tell a person: which part, where, how it ended, how many expectations were met."""
    into = tmp_path / "told"
    outcome = rehearse(load_sequence(SHORT), load_bench(BENCH), tmp_path / "a.h5", notify=(listener(into),))

    (message,) = told(into)
    assert message["kind"] == "done"
    assert message["unit"] == "L07-W1-01"
    assert message["record"] == str(outcome.record.resolve())
    assert message["points"] == message["planned_points"] == 25
    assert message["verdicts"] == {"pass": 1}
    assert (message["outcome"], message["exit_code"], message["not_safe"]) == ("done", 0, "")


def test_trouble_is_told_with_what_happened_after_the_part_is_safe(tmp_path: Path) -> None:
    """And whoever wants only the good news is not told."""
    into, other = tmp_path / "told", tmp_path / "other"
    targets = (listener(into, when=("trouble",)), listener(other, when=("done",)))
    faults = ("silent:output_meter@point 8",)
    outcome = rehearse(load_sequence(SHORT), load_bench(BENCH), tmp_path / "a.h5", faults=faults, notify=targets)

    (message,) = told(into)
    assert outcome.exit_code == 3
    assert message["kind"] == "trouble"
    assert message["exit_code"] == 3
    assert "output_meter" in message["text"]
    assert told(other) == []


@pytest.mark.parametrize(
    ("target", "says"),
    [
        (program("import sys; sys.exit('no line')"), "no line"),
        (program("import time; time.sleep(60)", timeout_s=0.3), "timed out"),
        (NotifySettings(command="there-is-no-such-program --at all"), "there-is-no-such-program"),
        (NotifySettings(command="'a quote left open"), "quot"),
        (NotifySettings(webhook="http://127.0.0.1:1/hook"), "webhook http://127.0.0.1:1"),
        (
            NotifySettings(email=EmailSettings(to="a@example.org", sender="b@example.org", server="127.0.0.1", port=1)),
            "e-mail to a@example.org",
        ),
    ],
)
def test_what_fails_is_an_event_in_the_record_and_nothing_else(tmp_path: Path, target: NotifySettings, says: str) -> None:
    """A mail server that is down must not cost a night."""
    outcome = rehearse(load_sequence(SHORT), load_bench(BENCH), tmp_path / "a.h5", notify=(target,))

    assert (outcome.outcome, outcome.exit_code) == ("done", 0)
    with benchkit.open_record(outcome.record) as record:
        assert record.is_sealed
        events = record.events()
    failed = events[events["kind"] == "not told"]
    assert says in "".join(failed["text"])
    assert set(failed["severity"]) == {"warning"}


@pytest.mark.skipif(sys.platform == "win32", reason="sh")
def test_a_grandchild_that_lives_on_does_not_hold_the_run(tmp_path: Path) -> None:
    """A command that starts something in the background has done its work when it ends."""
    notifier = Notifier([NotifySettings(command=("sh", "-c", f"sleep 30 & echo $! > {tmp_path / 'pid'}"), timeout_s=5.0)])
    begun_s = time.monotonic()
    notifier.tell("done", "x")

    assert notifier.failures() == []
    assert time.monotonic() - begun_s < 20  # the grandchild has 30
    os.kill(int((tmp_path / "pid").read_text()), signal.SIGKILL)


def test_telling_returns_at_once_and_each_failure_is_said_once() -> None:
    """The engine's thread has better things to do."""
    notifier = Notifier([program("import sys; sys.exit(3)")])
    for _ in range(2):
        notifier.tell("trouble", "x")

    assert [text.split(": ")[-1] for text in notifier.failures()] == ["ended with code 3"] * 2
    assert notifier.failures() == []


def test_a_webhook_is_posted_json_and_its_token_is_never_told() -> None:
    """What follows the host may be a secret; events are read by many."""
    server = Web()
    with serving(server):
        target = NotifySettings(webhook=server.address)
        notifier = Notifier([target], {"unit": "L07-W1-01"})
        notifier.tell("done", "plan done")
        assert notifier.failures() == []
        server.code = 500
        notifier.tell("done", "plan done")
        (failure,) = notifier.failures()

    assert server.got[0]["unit"] == "L07-W1-01"
    assert server.got[0]["text"] == "plan done"
    assert "500" in failure
    assert "secret" not in failure + target.way


def test_an_email_has_one_line_of_subject_and_the_message() -> None:
    """A line break in a fault's text must not become a header of its own."""
    server = Mail()
    with serving(server):
        settings = EmailSettings(
            to="lab@example.org", sender="bench@example.org", server="127.0.0.1", port=server.server_address[1], encryption="none"
        )
        notifier = Notifier([NotifySettings(email=settings)], {"unit": "L07-W1-01"})
        notifier.tell("trouble", "drain current above limit\nBcc: other@example.org")
        assert notifier.failures() == []

    head, _, body = server.got[0].partition("\r\n\r\n")
    # RFC 5322, 2.2.3: a long header goes on in a line that begins with a space.
    head = head.replace("\r\n ", " ").replace("  ", " ")
    assert "Subject: benchkit: trouble: L07-W1-01 drain current" in head
    assert not [line for line in head.splitlines() if line.startswith("Bcc")]
    assert "To: lab@example.org" in head
    assert "drain current above limit" in body


def test_a_password_comes_from_the_environment_and_never_goes_out_in_clear() -> None:
    """A bench file is copied into every record."""
    given = {"to": "lab@example.org", "sender": "bench@example.org", "server": "127.0.0.1", "user": "bench"}
    for wrong in ({}, {"password_from": "MAIL_PASSWORD", "encryption": "none"}):
        with pytest.raises(ValueError, match="password"):
            EmailSettings(**given, **wrong)
    assert "password" not in EmailSettings.model_fields


def test_a_quiet_hour_is_told_once_for_each_hour_without_a_point() -> None:
    """A soak that takes all night should not be found in the morning."""

    class Counting(Notifier):
        heard_of: list[str] = []  # noqa: RUF012 - of this test alone

        def tell(self, kind: Any, text: str, **more: Any) -> None:
            self.heard_of.append(kind)

    notifier = Counting([])
    notifier.heard(0.0, is_point=False)
    notifier.heard(QUIET_S - 1, is_point=True)
    for step in range(1, 250):
        notifier.heard(QUIET_S - 1 + 30.0 * step, is_point=False)

    assert notifier.heard_of == ["quiet hour"] * 2


def test_a_rehearsed_soak_of_two_hours_has_a_quiet_hour(tmp_path: Path) -> None:
    """The whole way, on the run's own clock."""
    sequence = changed(OVERNIGHT, tmp_path,
                       ("in_tolerance_for: 10 min", "in_tolerance_for: 95 min"), ("at_most: 60 min", "at_most: 4 h"),
                       ("[25 degC, -30 degC, 70 degC]", "25 degC"), ("temperature: [25 degC, 70 degC]}", "temperature: 25 degC}"),
                       ("  - {parameter: p1db, min: 26.5 dBm, temperature: -30 degC}\n", ""),
                       ("  - {parameter: detector_temperature_error, max: 0.7 dB}\n", ""))  # fmt: skip
    into = tmp_path / "told"
    rehearse(load_sequence(sequence), load_bench(BENCH), tmp_path / "a.h5", notify=(listener(into, when=("quiet hour",)),))

    assert [message["kind"] for message in told(into)] == ["quiet hour"]


def with_listener(into: Path) -> str:
    command = json.dumps([sys.executable, "-c", LISTENER, str(into)])
    return f"\nnotify:\n  - {{command: {command}}}\n"


def test_a_record_from_elsewhere_runs_no_command_of_its_bench_file(tmp_path: Path) -> None:
    """Records are passed around; repeating one must not run what somebody wrote into it. A rehearsal tells nobody either."""
    into = tmp_path / "told"
    bench = load_bench(BENCH)
    own = load_bench_text(bench.text + with_listener(into), BENCH.name, bench.table_files, BENCH.parent)
    first = rehearse(load_sequence(SHORT), own, tmp_path / "a.h5")

    repeat = plan_repeat(first.record)
    repeat.carry_out(tmp_path / "b.h5")

    assert first.outcome == "done"
    assert repeat.bench.file.notify == ()
    assert plan_repeat(first.record, simulated=None, bench=own).bench.file.notify != ()
    assert told(into) == []


def test_mistakes_in_the_bench_file_are_told_with_line_and_key() -> None:
    """As everywhere."""
    bench = load_bench(BENCH)
    wrong = (
        "\nnotify:\n  - {webhook: 'file:///tmp/x'}\n  - {comand: x}\n"
        "  - {command: x, webhook: 'http://127.0.0.1/'}\n  - {command: x, when: [dusk]}\n"
    )
    with pytest.raises(FileError) as raised:
        load_bench_text(bench.text + wrong, BENCH.name, bench.table_files)
    said = str(raised.value)

    assert "notify[0].webhook: 'file:///tmp/x' is no web address" in said
    assert "did you mean command?" in said
    assert "notify[2]: has command and webhook" in said
    assert "trouble, done, quiet hour" in said


def test_the_option_of_rehearse_tells(tmp_path: Path) -> None:
    """`--notify COMMAND`, without a shell."""
    script, into = tmp_path / "tell.py", tmp_path / "told"
    script.write_text(LISTENER)
    result = CliRunner().invoke(
        app, ["rehearse", str(SHORT), "--out", str(tmp_path / "a.h5"), "--notify", f"{sys.executable} {script} {into}"]
    )

    assert result.exit_code == 0
    assert [message["kind"] for message in told(into)] == ["done"]
    assert "tells on trouble and done" in result.output
    empty = CliRunner().invoke(app, ["rehearse", str(SHORT), "--out", str(tmp_path / "b.h5"), "--notify", " "])
    assert isinstance(empty.exception, FileError)


@pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL")
def test_the_guardian_tells_of_a_run_that_was_killed(tmp_path: Path) -> None:
    """The run itself can't any more."""
    script, into = tmp_path / "tell.py", tmp_path / "told"
    script.write_text(LISTENER)
    environment = {**os.environ, "XDG_STATE_HOME": str(tmp_path / "state")}
    with served_twin(tmp_path) as twin:
        with twin.bench.open("a") as bench:
            bench.write(with_listener(into))
        run = subprocess.Popen(
            [sys.executable, "-m", "benchkit", "run", str(SHORT), "--bench", str(twin.bench), "--unit", "L07-W1-01",
             "--out", "a.h5"],
            cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=environment,
        )  # fmt: skip
        try:
            until_s = time.monotonic() + 60
            while time.monotonic() < until_s and run.poll() is None:
                if (tmp_path / "a.h5").exists():
                    with benchkit.open_record(tmp_path / "a.h5") as record:
                        if record.rows("points") > 2:
                            break
                time.sleep(0.05)  # nothing tells another process of a row
            assert run.poll() is None
            run.send_signal(signal.SIGKILL)
        finally:
            run.kill()
            run.wait()
        while not told(into) and time.monotonic() < until_s:
            time.sleep(0.05)

    (message,) = told(into)
    assert (message["kind"], message["outcome"], message["not_safe"]) == ("trouble", "guardian", "")
    assert message["unit"] == "L07-W1-01"
    assert "made the bench safe" in message["text"]


def test_a_message_is_plain_data() -> None:
    """JSON for whoever reads it."""
    message = message_of("done", "x", {"unit": "u"})

    assert json.loads(json.dumps(message)) == message
    assert (message["benchkit"], message["version"], message["kind"]) == ("notice", 1, "done")


def test_a_run_that_goes_on_and_one_that_is_repeated_tell_as_well(tmp_path: Path) -> None:
    """The part of a night that is resumed at two o'clock is the one that nobody watches."""
    into, record = tmp_path / "told", tmp_path / "night.h5"
    command = f"{sys.executable} -c \"{LISTENER}\" {into}"
    first = CliRunner().invoke(app, ["rehearse", str(SHORT), "--out", str(record), "--fault", "silent:output_meter@point 10"])
    assert first.exit_code == 3
    again = CliRunner().invoke(app, ["resume", str(record), "--notify", command], catch_exceptions=False)
    assert again.exit_code == 0
    assert [(one["kind"], one["record"]) for one in told(into)] == [("done", str(record))]
    out = tmp_path / "again.h5"
    repeated = CliRunner().invoke(app, ["repeat", str(record), "--out", str(out), "--notify", command], catch_exceptions=False)
    assert repeated.exit_code == 0
    assert told(into)[-1]["record"] == str(out)
