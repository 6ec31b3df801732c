"""The guardian's own side: watch the pipe; when the run is dead or stuck, make the bench safe and say so."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import signal
import sys
import threading
from typing import BinaryIO

import psutil

from benchkit.bench.load import Bench
from benchkit.bench.open import OpenBench, open_bench
from benchkit.clock import Clock, WallClock
from benchkit.errors import BenchkitError, MakeSafeError
from benchkit.guardian.notices import Notice, leave_notice
from benchkit.guardian.spec import GOODBYE, HELP, READY, GuardianSpec
from benchkit.link.library import open_library
from benchkit.notify import Notifier, NotifySettings

__all__ = ["main"]

# How long to go on trying when the bench does not answer, and how long to wait between tries.
HELP_TEXT = "the run could not verify the bench safe and asked for help"
TRY_FOR_S = 30.0
TRY_EVERY_S = 0.1
KILL_WAIT_S = 2.0
KILL_POLL_S = 0.005


def main() -> int:
    """Watch until goodbye, death, silence or a call for help. 0: nothing left on; 1: not verified."""
    for name in ("SIGINT", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    pipe = sys.stdin.buffer
    spec = GuardianSpec.from_data(json.loads(pipe.readline()))
    # Everything needed is loaded now: after a death there is no time to import, and the disk may be full.
    bench, clock = spec.bench(), WallClock()
    open_library(spec.library, clock)
    print(READY, flush=True)
    why = _watch(pipe, spec.silence_s)
    if why == "":
        return 0
    begun_s = clock.monotonic()
    noticed_s = clock.now()
    if why != HELP_TEXT:
        _end_run(spec.run_pid, clock)
    failures = _make_safe(bench, spec, clock)
    notice = Notice(
        record=spec.record,
        why=why,
        noticed_s=noticed_s,
        took_s=clock.monotonic() - begun_s,
        failures=tuple(failures),
        run_pid=spec.run_pid,
    )
    # A run that asked for help is alive, and tells for itself.
    targets = [] if why == HELP_TEXT else [NotifySettings.model_validate(target) for target in spec.notify]
    notifier = Notifier(targets, spec.facts)
    notifier.tell("trouble", str(notice), outcome="guardian", not_safe="; ".join(failures), time_s=noticed_s)
    try:
        leave_notice(notice)
    finally:
        # Where that failed there is nobody left to say it to, but for a person who reads what the run's console shows.
        with contextlib.suppress(OSError):
            for failure in notifier.failures():
                print(f"not told: {failure}", file=sys.stderr)
    return 1 if failures else 0


def _watch(pipe: BinaryIO, silence_s: float) -> str:
    """Why the bench must be made safe; "" when the run said goodbye."""
    heard: queue.Queue[bytes] = queue.Queue()

    def listen() -> None:
        while True:
            data = os.read(pipe.fileno(), 4096)
            heard.put(data)
            if not data:
                return

    threading.Thread(target=listen, daemon=True).start()
    while True:
        try:
            data = heard.get(timeout=silence_s)
        except queue.Empty:
            return f"no sign of life from the run for {silence_s:g} s: it was stuck"
        if GOODBYE in data:
            return ""
        if HELP in data:
            return HELP_TEXT
        if not data:
            return "the run's process ended without making the bench safe"


def _end_run(pid: int, clock: Clock) -> None:
    """
    End what is left of the run, and wait until it has let go of its connections: a stuck run might wake up and switch
    something on again. A process that nobody has waited for yet (a zombie) holds nothing any more.
    """
    deadline_s = clock.monotonic() + KILL_WAIT_S
    try:
        process = psutil.Process(pid)
        process.kill()
        while process.is_running() and process.status() != psutil.STATUS_ZOMBIE and clock.monotonic() < deadline_s:
            clock.sleep(KILL_POLL_S)
    except (psutil.NoSuchProcess, psutil.AccessDenied):
        pass  # gone already, or not ours to end: the bench is made safe either way


def _make_safe(bench: Bench, spec: GuardianSpec, clock: Clock) -> list[str]:
    """Make safe over connections of our own; goes on trying for a while. Returns what could not be verified."""
    deadline_s = clock.monotonic() + TRY_FOR_S
    while True:
        failures = _try(bench, spec, clock)
        if not failures or clock.monotonic() > deadline_s:
            return failures
        clock.sleep(TRY_EVERY_S)


def _try(bench: Bench, spec: GuardianSpec, clock: Clock) -> list[str]:
    """One try. An instrument that cannot be opened is told, and keeps no other from being made safe."""
    failures: list[str] = []
    instruments = {}
    for name in spec.instruments:
        try:
            instruments.update(open_bench(bench, clock, only=(name,), library=spec.library).instruments)
        except BenchkitError as error:
            failures.append(f"{name} cannot be opened: {error}")
    opened = OpenBench(bench, clock, instruments)
    opened.hold_gate_v = spec.hold_gate_v
    opened.idle_temperature_degc = spec.idle_temperature_degc
    try:
        opened.make_safe()
    except MakeSafeError as error:
        failures.extend(error.failures)
    try:
        opened.release()
    except MakeSafeError as error:
        failures.extend(error.failures)
    return failures

