"""
`kill -9` of a run on the served twin, watched from outside: how soon nothing is energised, what the guardian left, who is
left over. Outputs are asked over sockets of our own; nothing here believes what benchkit says.
"""

from __future__ import annotations

import json
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import psutil

import benchkit
from benchkit.bench.load import load_bench
from tests.scenario import ServedTwin

__all__ = ["Kill", "Outputs", "kill_once"]

START_S, GIVE_UP_S = 60.0, 20.0
POLL_S = 0.005
# Source, both drains: what hurts when it stays on.
QUESTIONS = {"rf_source": b"OUTP?\n", "drain_supply": b"OUTP? (@1,2)\n"}


class Outputs:
    """What is on, asked of the twin itself."""

    def __init__(self, bench: Path) -> None:
        settings = load_bench(bench).file.instruments
        self._sockets = {}
        for name in QUESTIONS:
            found = re.fullmatch(r"TCPIP0?::(.+)::(\d+)::SOCKET", settings[name].address)
            assert found is not None
            self._sockets[name] = socket.create_connection((found.group(1), int(found.group(2))), timeout=5)

    def are_on(self) -> bool:
        """Whether RF or any drain is."""
        for name, question in QUESTIONS.items():
            self._sockets[name].sendall(question)
        answers = [self._sockets[name].recv(64) for name in QUESTIONS]
        return any(b"1" in answer for answer in answers)

    def close(self) -> None:
        for one in self._sockets.values():
            one.close()


@dataclass(frozen=True)
class Kill:
    """
    What one kill left behind.

    Attributes:
        after_s: From the beginning of power, or of the process, to the kill. [s]
        was_on: Whether RF or a drain was on at the kill.
        safe_s: From the kill until none was. [s]
        account: Failures the guardian reports; None: it left no account.
        left_over: Processes of the run that are still there.
        points: In the record; None: there is no record yet.
        trouble: What is wrong with the record; "": nothing.
    """

    after_s: float
    was_on: bool
    safe_s: float
    account: tuple[str, ...] | None
    left_over: int
    points: int | None
    trouble: str

    @property
    def broken(self) -> list[str]:
        """Promises that were not kept."""
        found = [self.trouble] if self.trouble else []
        if self.safe_s >= 2.0:
            found.append(f"not safe for {self.safe_s:.2f} s")
        if self.was_on and self.account is None:
            found.append("no account of the guardian")
        if self.account:
            found.append(f"the guardian could not verify: {'; '.join(self.account)}")
        if self.left_over:
            found.append(f"{self.left_over} processes left over")
        return found


def kill_once(
    twin: ServedTwin,
    outputs: Outputs,
    sequence: Path,
    record: Path,
    after_s: float,
    program: tuple[str, ...] = ("-m", "benchkit"),
    *,
    from_power: bool = True,
) -> Kill:
    """
    Start a run, end it by SIGKILL, and look.

    Args:
        after_s: How long after it began to power the device; a loaded computer takes its time to get there. [s]
        from_power: Else counted from the start of the process.
    """
    arguments = ("run", sequence, "--bench", twin.bench, "--unit", "L07-W1-01", "--out", record)
    environment = {**os.environ, "XDG_STATE_HOME": str(record.parent / "state")}
    run = subprocess.Popen(
        [sys.executable, *program, *map(str, arguments)],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env=environment,
    )  # fmt: skip
    with _ended(run):
        begins = _listen(run)
        if from_power:
            begins.wait(START_S)
        begun_s = time.monotonic()
        with suppress(subprocess.TimeoutExpired):
            run.wait(after_s)
        was_on = outputs.are_on()
        family = _family(run.pid)
        killed_s = time.monotonic()
        if run.poll() is None:
            os.kill(run.pid, signal.SIGKILL)
        while outputs.are_on() and time.monotonic() - killed_s < GIVE_UP_S:
            time.sleep(POLL_S)
        safe_s = time.monotonic() - killed_s
        run.wait(GIVE_UP_S)
        _, alive = psutil.wait_procs(family, timeout=GIVE_UP_S)
    points, trouble = _look_into(record)
    account = record.with_suffix(".guardian.json")
    failures = tuple(json.loads(account.read_text())["failures"]) if account.exists() else None
    return Kill(killed_s - begun_s, was_on, safe_s, failures, len(alive), points, trouble)


def _listen(run: subprocess.Popen[bytes]) -> threading.Event:
    """Reads what the run says to its end; set when it says that it begins with a condition, or says nothing any more."""
    begins, said = threading.Event(), run.stderr
    assert said is not None

    def read() -> None:
        with said:
            for line in said:
                if line.startswith(b"channel "):
                    begins.set()
        begins.set()

    threading.Thread(target=read, daemon=True).start()
    return begins


def _family(pid: int) -> list[psutil.Process]:
    try:
        return psutil.Process(pid).children(recursive=True)
    except psutil.NoSuchProcess:
        return []


def _look_into(record: Path) -> tuple[int | None, str]:
    if not record.exists():
        return None, ""
    try:
        with benchkit.open_record(record) as opened:
            return len(opened.points()), ""
    except Exception as error:  # noqa: BLE001 - a record that cannot be opened is a finding, whatever the reason
        return None, f"record does not open: {error}"


@contextmanager
def _ended(run: subprocess.Popen[bytes]) -> Iterator[None]:
    """Whatever happens, the run is gone at the end."""
    try:
        yield
    finally:
        if run.poll() is None:
            run.kill()
        threading.Thread(target=run.wait, daemon=True).start()
