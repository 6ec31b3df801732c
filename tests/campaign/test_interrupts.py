"""However a run ends, the part is made safe: Ctrl-C, SIGTERM, and a death that Python never sees."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import psutil
import pytest

import benchkit
from benchkit.campaign.signals import Interrupter
from tests.scenario import SHORT, ServedTwin, changed, served_twin

LONG = ("{from: -12 dBm, to: 9 dBm, step: 1 dB}", "{from: -12 dBm, to: 8 dBm, step: 0.1 dB}")


class Run:
    """`benchkit run` in a process of its own, watched through its own output."""

    def __init__(self, twin: ServedTwin, folder: Path, name: str) -> None:
        sequence = changed(SHORT, folder, LONG)
        self.record = folder / f"{name}.h5"
        environment = {**os.environ, "XDG_STATE_HOME": str(folder / "state")}
        self.process = subprocess.Popen(
            [sys.executable, "-m", "benchkit", "run", str(sequence), "--bench", str(twin.bench), "--unit", "L07-W1-01",
             "--out", str(self.record)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment,
        )  # fmt: skip
        self.lines: list[str] = []

    def wait_until(self, text: str) -> None:
        """Until the run has said `text`: no clock, no guess."""
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.lines.append(line)
            if text in line:
                # From here on somebody must go on reading, or the pipe fills.
                threading.Thread(target=self.process.stderr.read, daemon=True).start()
                return
        pytest.fail(f"the run ended before it said {text!r}: {''.join(self.lines)}")


def finished(run: Run) -> str:
    out, _ = run.process.communicate(timeout=30)
    return out


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_in_make_safe_and_a_sealed_record(tmp_path: Path, number: signal.Signals) -> None:
    """RF off, drain off, gate off; every point up to then is there; exit code 130."""
    with served_twin(tmp_path) as twin:
        run = Run(twin, tmp_path, "interrupted")
        run.wait_until("10 %")
        run.process.send_signal(number)
        out = finished(run)
        twin.stop()

    assert run.process.returncode == 130
    assert "made safe" in out
    assert twin.ledger() == []
    with benchkit.open_record(run.record) as record:
        assert record.outcome == "interrupted"
        assert number.name in record.message
        assert len(record.points()) >= 20
        made_safe = record.events().iloc[-1]["text"]
    assert made_safe.startswith("made safe in")
    assert float(made_safe.split()[3]) < 1.0


def test_a_hang_up_that_was_ignored_at_the_start_stays_ignored() -> None:
    """`nohup benchkit run` goes on after its terminal is closed; every other signal ends it in make safe."""
    before_test = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with Interrupter():
            assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
            assert callable(signal.getsignal(signal.SIGTERM))
    finally:
        signal.signal(signal.SIGHUP, before_test)


def test_a_second_ctrl_c_does_not_stop_make_safe_half_way(tmp_path: Path) -> None:
    """An impatient operator must not be able to leave the drain on."""
    with served_twin(tmp_path) as twin:
        run = Run(twin, tmp_path, "twice")
        run.wait_until("10 %")
        for _ in range(5):
            run.process.send_signal(signal.SIGINT)
        finished(run)
        twin.stop()

    assert run.process.returncode == 130
    assert twin.ledger() == []


def test_after_kill_9_the_guardian_makes_safe_tells_and_leaves_no_process(tmp_path: Path) -> None:
    """No handler of ours runs then; only another process can help."""
    with served_twin(tmp_path) as twin:
        run = Run(twin, tmp_path, "killed")
        run.wait_until("10 %")
        guardians = psutil.Process(run.process.pid).children()
        run.process.kill()
        run.process.communicate()
        gone, alive = psutil.wait_procs(guardians, timeout=20)
        twin.stop()

    assert len(gone) == 1
    assert alive == []
    assert twin.ledger() == []
    account = json.loads(run.record.with_suffix(".guardian.json").read_text())
    assert account["failures"] == []
    assert account["took_s"] < 2.0
    with benchkit.open_record(run.record) as record:
        assert not record.is_sealed
        assert len(record.points()) >= 20

    environment = {**os.environ, "XDG_STATE_HOME": str(tmp_path / "state")}
    command = [sys.executable, "-m", "benchkit", "schema", "bench"]
    first, second = (
        subprocess.run(command, env=environment, capture_output=True, text=True, check=True).stderr for _ in range(2)
    )
    assert str(run.record) in first
    assert "made the bench safe" in first
    assert second == ""


def test_when_the_guardian_dies_the_run_makes_safe_and_stops(tmp_path: Path) -> None:
    """Without it nobody would help if the run died next."""
    with served_twin(tmp_path) as twin:
        run = Run(twin, tmp_path, "unguarded")
        run.wait_until("10 %")
        (guardian,) = psutil.Process(run.process.pid).children()
        guardian.kill()
        out = finished(run)
        twin.stop()

    assert run.process.returncode == 3
    assert "guardian" in out
    assert "made safe" in out
    assert twin.ledger() == []
