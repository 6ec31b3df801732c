"""
Faults of the run's own computer, and how far a run is. Faults of the bench are the simulated bench's own affair: they travel
to it as text, with the library's options.

Both kinds are for rehearsals only: a run on a real bench takes none.
"""

from __future__ import annotations

import errno
import json
import os
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from benchkit.clock import VirtualClock
from benchkit.fault_text import FaultText, When, fault_mistake, parse_fault
from benchkit.record import Disk

__all__ = ["COMPUTER_FAULTS", "ComputerFaults", "Whereabouts", "account_lines", "account_path"]

COMPUTER_FAULTS = {
    "disk-full": "the disk with the record is full: nothing more can be written",
    "clock-jump": "the computer's clock is set back by an hour (time zone, correction from the network)",
}
"""Name and what happens."""

JUMP_S = -3600.0


def account_path(record: Path) -> Path:
    """Where the simulated bench says what became of each fault."""
    return record.with_suffix(".faults.json")


class Whereabouts:
    """How far a run is, by the rows it has written; for faults that wait for a point or a condition."""

    def __init__(self) -> None:
        self.points = 0
        self.conditions = 0

    def see(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        """A row was acknowledged."""
        if stream == "points":
            self.points += 1
        elif stream == "bias" and row.get("state") == "biased":
            self.conditions += 1


class JumpingClock(VirtualClock):
    """A virtual clock whose time of day can jump. Monotonic time never does: that is what it is for."""

    def __init__(self, has_come: Callable[[], bool]) -> None:
        super().__init__()
        self._has_come = has_come

    def now(self) -> float:
        return super().now() + (JUMP_S if self._has_come() else 0.0)


class FullDisk(Disk):
    """A disk that is full from some moment on."""

    def __init__(self, has_come: Callable[[], bool]) -> None:
        self._has_come = has_come

    def write_at(self, fd: int, data: bytes | bytearray | memoryview, offset: int) -> None:
        if self._has_come():
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        super().write_at(fd, data, offset)


class ComputerFaults:
    """
    The faults of one rehearsal, sorted into those of the computer and those of the bench.

    Attributes:
        of_bench: Texts for the simulated bench.
        clock: The rehearsal's.
        disk: The record's; None: the real one.

    Args:
        texts: NAME@WHEN each.
        span_s: Asked for the run's estimated time if a moment is random. [s]

    Raises:
        FileError: A text that is no fault, or a fault of the computer in an instrument or at a message.
    """

    def __init__(self, texts: Sequence[str], whereabouts: Whereabouts, span_s: Callable[[], float]) -> None:
        parsed = [parse_fault(text) for text in texts]
        self._whereabouts = whereabouts
        mine = {
            fault.name: fault.settled(span_s() if fault.when.kind == "random" else None)
            for fault in parsed
            if fault.name in COMPUTER_FAULTS
        }
        for fault in mine.values():
            self._check(fault)
        self.of_bench = tuple(str(fault) for fault in parsed if fault.name not in COMPUTER_FAULTS)
        jump, full = mine.get("clock-jump"), mine.get("disk-full")
        self.clock = VirtualClock() if jump is None else JumpingClock(lambda: self._has_come(jump.when))
        self.disk: Disk | None = None if full is None else FullDisk(lambda: self._has_come(full.when))

    def _has_come(self, when: When) -> bool:
        if when.kind == "time":
            return self.clock.monotonic() >= when.value
        return (self._whereabouts.points if when.kind == "point" else self._whereabouts.conditions) >= when.value

    @staticmethod
    def _check(fault: FaultText) -> None:
        if fault.instrument:
            raise fault_mistake(str(fault), f"{fault.name} is a fault of this computer, not of {fault.instrument!r}")
        if fault.when.kind == "message":
            raise fault_mistake(str(fault), f"{fault.name} cannot wait for a message; say a time, a point or a condition")


def account_lines(record: Path) -> list[str]:
    """What became of each fault of a rehearsal, and of its ledger, for a person; empty where there is neither."""
    path, ledger = account_path(record), record.with_suffix(".ledger.jsonl")
    if not path.exists() and not ledger.exists():
        return []
    lines = [_told(row) for row in json.loads(path.read_text(encoding="utf-8"))["faults"]] if path.exists() else []
    entries = [json.loads(line) for line in ledger.read_text(encoding="utf-8").splitlines()] if ledger.exists() else []
    own = [entry for entry in entries if entry.get("by")]
    charged = [entry for entry in entries if not entry.get("by")]
    lines += [f"the fault's own doing: {entry['what']}: {entry['detail']}" for entry in own]
    lines += [f"LEDGER: {entry['what']}: {entry['detail']}" for entry in charged]
    return lines if charged else [*lines, "ledger: empty"]


def _told(row: Mapping[str, Any]) -> str:
    fault, came_s, shown_s, safe_s = row["fault"], row["came_s"], row["shown_s"], row["safe_s"]
    if came_s is None:
        return f"fault {fault}: did not come; the run ended before"
    text = f"fault {fault}: came at {came_s:.3f} s in {row['instrument']}, the device was {row['state']}"
    if shown_s is not None:
        text += f"; a reading showed it {1e3 * (shown_s - came_s):.0f} ms later"
    if row["trips"]:
        text += f"; tripped: {', '.join(row['trips'])}"
    return text if safe_s is None else f"{text}; nothing was energised {1e3 * (safe_s - came_s):.0f} ms after it came"
