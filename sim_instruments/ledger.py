"""
The twin's own book of what was done to the simulated device. What stands here happened, whatever the software believes.

One JSON object a line, written and flushed as it happens, so that a killed process leaves what it knew. The file is made
at once: an empty ledger is a file without lines, not a missing file. An existing ledger is added to, never replaced.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

__all__ = ["Abuse", "Entry", "Ledger", "read_ledger"]


class Abuse:
    """The kinds of entry, by the name under which they stand in the ledger."""

    DRAIN_WITHOUT_GATE = "drain on without gate"
    GATE_REMOVED = "gate removed while drain on"
    DRAIN_VOLTAGE = "drain voltage over maximum"
    DRAIN_CURRENT = "drain current over maximum"
    GATE_VOLTAGE = "gate voltage beyond maximum"
    GATE_CURRENT = "gate current over maximum"
    DISSIPATION = "dissipation over maximum"
    INPUT_POWER = "input power over maximum"
    OUTPUT_POWER = "output power over maximum"
    CHANNEL_TEMPERATURE = "channel temperature over maximum"
    RF_UNBIASED = "RF into an unbiased device"
    HOT_SWITCHING = "hot switching"
    HOT_CONNECTING = "connected while energised"
    METER_POWER = "meter above rating"
    PATH_POWER = "path above rating"
    SWITCH_POWER = "switch above rating"
    CHAMBER_RANGE = "chamber beyond its range"
    LEFT_ENERGISED = "left energised"
    LEFT_HOT_OR_COLD = "chamber left away from ambient"
    STILL = "not ended in time after a fault"
    ENERGISED_ON = "energised further after a fault had shown"


@dataclass(frozen=True)
class Entry:
    """
    Attributes:
        t_s: Clock's monotonic time at which it happened (it may be noticed, and written, later). [s]
        what: One of the kinds in `Abuse`.
        detail: Where, how much, and the limit.
        by: The fault whose own doing this is, where nobody could have prevented it (see faults/judgement.py); "": it is
            charged to whoever commands the bench.
    """

    t_s: float
    what: str
    detail: str
    by: str = ""


class Ledger:
    """
    Args:
        path: File to write to as well; None: kept in memory only.
    """

    def __init__(self, path: Path | None = None) -> None:
        self._entries: list[Entry] = []
        self._path = path
        self.judge: Callable[[float, str, str], str] | None = None
        """Asked at each entry which fault it is the doing of; "": of none. Without faults nobody is asked."""
        if path is not None:
            path.open("a").close()

    @property
    def entries(self) -> tuple[Entry, ...]:
        """What was noted since this ledger was opened, in the order it was noticed."""
        return tuple(self._entries)

    @property
    def charged(self) -> tuple[Entry, ...]:
        """Those that are no fault's own doing: what the software has to answer for."""
        return tuple(entry for entry in self._entries if not entry.by)

    def note(self, t: float, what: str, detail: str) -> None:
        """Write one entry. [s]"""
        entry = Entry(t, what, detail, "" if self.judge is None else self.judge(t, what, detail))
        self._entries.append(entry)
        # Opened for each entry: entries are rare, and nobody need remember to close a book that is not held open.
        if self._path is not None:
            with self._path.open("a", encoding="utf-8", newline="\n") as file:
                written = asdict(entry)
                if not entry.by:
                    del written["by"]
                file.write(json.dumps(written) + "\n")


def read_ledger(path: Path) -> tuple[Entry, ...]:
    """
    The entries of a ledger file.

    Raises:
        ValueError: A line is not an entry; it says which. A last line without its end, cut off by a kill, is one too.
    """
    entries = []
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
        try:
            entries.append(Entry(**json.loads(line)))
        except (ValueError, TypeError) as error:
            raise ValueError(f"{path}:{number}: not a ledger entry: {error}") from error
    return tuple(entries)
