"""
Signals, in one place: Ctrl-C, SIGTERM and a closed terminal end a run in make safe.

The handler raises out of whatever the main thread waits for, so that a blocked reading does not hold it up (a handler that
only sets a flag waits for the reading's time-out). Two stretches are shielded: writing one row of the record, which must be
whole or absent, and make safe itself, which a second Ctrl-C must not stop half-way.
"""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType

from benchkit.errors import Interrupted

__all__ = ["Interrupter"]

# SIGHUP and SIGBREAK exist on one kind of system each.
NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class Interrupter:
    """Turns signals into Interrupted while it is entered; does nothing outside the main thread, where Python has none."""

    def __init__(self) -> None:
        self.pending: str | None = None
        self._shields = 0
        self._safe_making = False
        self._old: dict[signal.Signals, object] = {}

    def __enter__(self) -> Interrupter:
        if threading.current_thread() is threading.main_thread():
            for name in NAMES:
                number = getattr(signal, name, None)
                if number is not None:
                    self._old[number] = signal.signal(number, self._handle)
        return self

    def __exit__(self, *_: object) -> None:
        for number, handler in self._old.items():
            signal.signal(number, handler)  # type: ignore[arg-type]  # what signal() gave is what it takes
        self._old.clear()

    def _handle(self, number: int, frame: FrameType | None) -> None:
        name = signal.Signals(number).name
        if self._safe_making:
            return
        self.pending = name
        if self._shields == 0:
            self._raise()

    def _raise(self) -> None:
        name = self.pending or "signal"
        self.pending = None
        raise Interrupted(name)

    @contextmanager
    def shield(self) -> Iterator[None]:
        """A stretch that is whole or absent; a signal that comes meanwhile is raised at its end."""
        self._shields += 1
        try:
            yield
        finally:
            self._shields -= 1
        if self.pending is not None and self._shields == 0 and not self._safe_making:
            self._raise()

    def making_safe(self) -> None:
        """From here on no signal interrupts any more."""
        self._safe_making = True
