"""
Time, in one place: no other code reads the clock or sleeps.

The virtual clock is shared by the engine and the twin; it moves only when somebody sleeps on it or a reply falls due.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol

__all__ = ["Clock", "VirtualClock", "WallClock"]


class Clock(Protocol):
    """What the engine and the twin may ask of time."""

    def now(self) -> float:
        """Seconds since 1970-01-01T00:00:00Z. [s]"""
        ...

    def monotonic(self) -> float:
        """Seconds from an arbitrary start that never go back. [s]"""
        ...

    def sleep(self, seconds: float) -> None:
        """Let `seconds` pass; zero or less returns at once. [s]"""
        ...


class WallClock:
    """Real time."""

    def now(self) -> float:
        return time.time()

    def monotonic(self) -> float:
        return time.monotonic()

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            time.sleep(seconds)


class VirtualClock:
    """
    A clock that can be pushed: sleeping on it costs nothing.

    Args:
        start: First moment, aware; a fixed default so that two rehearsals of one seed are identical.
    """

    def __init__(self, start: datetime = datetime(2026, 1, 5, 18, 0, tzinfo=UTC)) -> None:
        self._epoch_s = start.timestamp()
        self._elapsed_s = 0.0

    def now(self) -> float:
        return self._epoch_s + self._elapsed_s

    def monotonic(self) -> float:
        return self._elapsed_s

    def sleep(self, seconds: float) -> None:
        if seconds > 0:
            self._elapsed_s += seconds

    def advance_to(self, monotonic_s: float) -> None:
        """Move to `monotonic_s` unless it has passed already. [s]"""
        if monotonic_s > self._elapsed_s:
            self._elapsed_s = monotonic_s
