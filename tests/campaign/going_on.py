"""Runs on the served twin that are killed or interrupted, and gone on with: for tests and the benchmark of resuming."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import pandas as pd
import psutil

import benchkit
from tests.scenario import SHORT, changed

__all__ = ["Command", "acknowledged", "resume_command", "run_command", "troubles", "two_conditions"]

FINISHED = ("complete", "stopped")
GUARDIAN_S = 30.0


def two_conditions(folder: Path, step: str = "1 dB") -> Path:
    """Both channels, two ladders at each."""
    return changed(
        SHORT, folder, ("  channels: [A]\n", "  channels: [A, B]\n"),
        ("{from: -12 dBm, to: 9 dBm, step: 1 dB}", f"{{from: -12 dBm, to: 9 dBm, step: {step}}}"),
    )  # fmt: skip


class Command:
    """A benchkit command in a process of its own, watched through its own output."""

    def __init__(self, folder: Path, *arguments: str | Path) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "benchkit", *map(str, arguments)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
            env={**os.environ, "XDG_STATE_HOME": str(folder / "state")},
        )  # fmt: skip
        self.told = ""

    def wait_until(self, text: str) -> bool:
        """Until it has said `text`; False: it ended before."""
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.told += line
            if text in line:
                # From here on somebody must go on reading, or the pipe fills.
                threading.Thread(target=self.process.stderr.read, daemon=True).start()
                return True
        return False

    def kill(self) -> None:
        """As the system does it, with nothing left to run; returns when the guardian has done its work."""
        try:
            guardians = psutil.Process(self.process.pid).children(recursive=True)
        except psutil.NoSuchProcess:
            guardians = []
        self.process.kill()
        self.process.communicate()
        _, alive = psutil.wait_procs(guardians, timeout=GUARDIAN_S)
        assert not alive, "the guardian does not end"

    def interrupt(self) -> str:
        self.process.send_signal(signal.SIGINT)
        return self.finish()

    def finish(self) -> str:
        out, err = self.process.communicate(timeout=100)
        return out + self.told + (err or "")


def run_command(folder: Path, sequence: Path, bench: Path, record: Path) -> Command:
    return Command(folder, "run", sequence, "--bench", bench, "--unit", "L07-W1-01", "--out", record)


def resume_command(folder: Path, record: Path, *arguments: str | Path) -> Command:
    return Command(folder, "resume", record, *arguments)


def acknowledged(record: Path) -> dict[str, pd.DataFrame]:
    """Every row of every stream that the record has by now."""
    with benchkit.open_record(record) as stored:
        return {name: stored.stream(name) for name in stored.streams}


def troubles(record: Path, before: dict[str, pd.DataFrame], ladders: int) -> list[str]:
    """What a record that was gone on with does not keep of what was promised."""
    found = []
    after = acknowledged(record)
    for name, rows in before.items():
        if not after[name].iloc[: len(rows)].equals(rows):
            found.append(f"{name}: {len(rows)} rows were acknowledged, and are not as they were")
    table, points = after["ladders"], after["points"]
    done = table[table["status"].isin(FINISHED)]
    if sorted(done["ladder"]) != list(range(ladders)):
        found.append(f"finished ladders are {sorted(done['ladder'])}; expected each of {ladders} once")
    attempts = set(zip(points["ladder"], points["attempt"], strict=True))
    told = list(zip(table["ladder"], table["attempt"], strict=True))
    if len(told) != len(set(told)) or not attempts <= set(told):
        found.append(f"attempts with points {sorted(attempts)}, in the table of ladders {sorted(told)}")
    counts = points.groupby(["ladder", "attempt"]).size()
    for ladder, attempt, count in zip(table["ladder"], table["attempt"], table["points"], strict=True):
        there = counts.get((ladder, attempt), 0)
        if count != there:
            found.append(f"ladder {ladder}, attempt {attempt}: {count} points by the table, {there} there")
    if points["point"].tolist() != list(range(len(points))):
        found.append("points are not numbered through")
    with benchkit.open_record(record) as stored:
        if not stored.is_sealed or stored.outcome != "done":
            found.append(f"it ended {stored.outcome or 'unsealed'}: {stored.message}")
        if stored.is_sealed and stored.changes():
            found.append(f"its digest does not fit: {stored.changes()}")
    return found
