"""Where the engine writes what happened; the record fills it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from benchkit.clock import Clock

__all__ = ["Events", "Placed", "Progress", "Sink"]


class Sink(Protocol):
    """Takes rows. Returns when the row is acknowledged: it will not be lost any more."""

    def append(self, stream: str, row: Mapping[str, float | int | str]) -> int: ...


class Progress(Protocol):
    """Told what goes on, for a bar or a log; must never raise."""

    def stage(self, text: str) -> None:
        """A new stage begins: a temperature, a condition, a measurement."""
        ...

    def point(self, done: int, skipped: int) -> None:
        """One more point is acknowledged; `skipped` points were spared so far because ladders stopped early."""
        ...

    def waiting(self, text: str) -> None:
        """Still waiting (a soak); called at every poll."""
        ...


class Events:
    """The run's own log: every event with its time, into the record."""

    def __init__(self, sink: Sink, clock: Clock) -> None:
        self._sink = sink
        self._clock = clock

    def note(self, kind: str, text: str, severity: str = "info") -> None:
        """One event. `severity`: info, warning or error."""
        self._sink.append(
            "events", {"time_s": self._clock.now(), "severity": severity, "kind": kind, "text": text}
        )


class Placed:
    """
    Rows of kinds' own streams on their way to the record.

    Attributes:
        where: What the engine adds to each: measurement, ladder, attempt and condition.
    """

    def __init__(self, sink: Sink) -> None:
        self._sink = sink
        self.where: Mapping[str, float | int | str] = {}

    def store(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        """One row."""
        self._sink.append(stream, {**self.where, **row})
