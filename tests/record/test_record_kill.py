"""
`kill -9` at random instants: no acknowledged point is lost, the file opens with plain h5py, and the run goes on in it.

The counts here are small to keep the suite quick; `tests/benchmarks/record_cost.py --kills 200` does the promised number.
"""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import h5py
import numpy as np
import pytest

from benchkit.clock import VirtualClock
from benchkit.record import Record, RecordWriter, recover
from tests.record.samples import assert_events, assert_points, point

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="SIGKILL and fork are POSIX")

FOREVER = 10**9


class Victims:
    """Starts a writer, reads what it acknowledged, kills it."""

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.record.victims"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1, cwd=Path(__file__).parents[2],
        )  # fmt: skip

    def run(self, path: Path, kill_after: int, *, rows: int = FOREVER, wait_for: str = "began") -> int:
        """
        One life: killed `kill_after` lines after it said `wait_for` (0: at once, while it may still be creating the file).

        Returns:
            The number of points it acknowledged in this life at the latest; -1 when none.
        """
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{path} {rows}\n")
        lines = iter(self._process.stdout.readline, "")
        pid = int(next(lines).split()[1])
        last, left, waiting = -1, kill_after, kill_after > 0
        for line in lines:
            if line == "over\n":
                return last
            if line.strip().isdigit():
                last = int(line)
            if line.strip() == wait_for:
                waiting = False
            if not waiting and left >= 0:
                left -= 1
                if left < 0:
                    with contextlib.suppress(ProcessLookupError):  # it was quicker: sealed and gone, one of two good states
                        os.kill(pid, signal.SIGKILL)
        raise AssertionError("the script of victims ended")

    def kill_while_creating(self, path: Path) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(f"{path} {FOREVER}\n")
        pid = int(self._process.stdout.readline().split()[1])
        beside = path.with_name(path.name + ".journal")
        while not beside.exists():
            pass  # busy on purpose: the instant is what is wanted
        os.kill(pid, signal.SIGKILL)
        while self._process.stdout.readline() != "over\n":
            pass

    def close(self) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(timeout=30)
        self._process.stdout.close()


@pytest.fixture(scope="module")
def victims() -> Iterator[Victims]:
    started = Victims()
    yield started
    started.close()


def test_ten_kills_in_a_row_lose_no_acknowledged_point(victims: Victims, tmp_path: Path) -> None:
    """One record, killed and gone on with again and again, growing on the way: every point that was acknowledged is there."""
    path, random_ = tmp_path / "run.h5", random.Random(1)
    acknowledged = -1
    for _ in range(10):
        acknowledged = max(acknowledged, victims.run(path, random_.randint(1, 400)))

        with h5py.File(path, "r") as h5:  # plain, before anything was recovered
            counted = int(h5["status/points_rows"][()])
            assert np.array_equal(h5["points/point"][:counted], np.arange(counted))
        with Record.open(path) as record:
            assert_points(record.points(), at_least=acknowledged + 1)
            assert_events(record.events())
    with RecordWriter.resume(path, clock=VirtualClock()) as run:
        rows = run.rows("points")
        run.append("points", point(rows))
        run.finish("done", "")

    with Record.open(path) as record:
        assert assert_points(record.points()) == rows + 1
        assert rows >= acknowledged + 1


@pytest.mark.parametrize("seed", range(4))
def test_a_kill_while_sealing_leaves_a_whole_record(victims: Victims, tmp_path: Path, seed: int) -> None:
    """Either it is sealed or it can be sealed; there is no third state."""
    path = tmp_path / "run.h5"
    victims.run(path, 1, rows=300, wait_for="sealing" if seed % 2 else "299")

    found = recover(path)
    if not found.sealed:
        RecordWriter.resume(path, clock=VirtualClock()).finish("done", "")
    with Record.open(path) as record:
        assert record.is_sealed
        assert assert_points(record.points()) == 300
        assert record.changes() == []
    assert [file.name for file in tmp_path.iterdir()] == ["run.h5"]


def test_a_kill_while_creating_leaves_nothing_that_looks_like_a_record_and_is_none(victims: Victims, tmp_path: Path) -> None:
    """What lies there after the earliest kill either recovers to an empty record, or says that nothing was recorded."""
    from benchkit.errors import FormatError

    outcomes = set()
    for number in range(8):
        path = tmp_path / f"run{number}.h5"
        victims.kill_while_creating(path)
        try:
            recover(path)
        except FormatError as error:
            assert "before anything was recorded" in str(error)  # noqa: PT017 - one of two outcomes
            outcomes.add("nothing")
        else:
            with Record.open(path) as record:
                assert_points(record.points())
            outcomes.add("record")
    assert outcomes
