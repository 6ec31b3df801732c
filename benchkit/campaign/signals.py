"""
Signals, in one place: Ctrl-C, SIGTERM and a closed terminal end a run in make safe.

The handler raises out of whatever the main thread waits for, so that a blocked reading does not hold it up (a handler that
only sets a flag waits for the reading's time-out). Two stretches are shielded: writing one row of the record, which must be
whole or absent, and make safe itself, which a second Ctrl-C must not stop half-way.
"""

from __future__ import annotations

import signal
import threading
from types import FrameType, TracebackType

from benchkit.errors import Interrupted

__all__ = ["Interrupter", "Shield"]

# SIGHUP and SIGBREAK exist on one kind of system each.
NAMES = ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK")


class Shield:
    """One stretch after another; see Interrupter.shield. Every row passes here: a generator would cost more than the row."""

    def __init__(self, interrupter: Interrupter) -> None:
        self._interrupter = interrupter

    def __enter__(self) -> None:
        self._interrupter.shields += 1

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._interrupter.shields -= 1
        if kind is None:  # else an error is on its way already
            self._interrupter.raise_pending()


class Interrupter:
    """Turns signals into Interrupted while it is entered; does nothing outside the main thread, where Python has none."""

    def __init__(self) -> None:
        self.pending: str | None = None
        self.shields = 0
        self._shield = Shield(self)
        self._safe_making = False
        self._old: dict[signal.Signals, object] = {}

    def __enter__(self) -> Interrupter:
        if threading.current_thread() is threading.main_thread():
            for name in NAMES:
                number = getattr(signal, name, None)
                if number is not None and not self._is_kept(number):
                    self._old[number] = signal.signal(number, self._handle)
        return self

    @staticmethod
    def _is_kept(number: signal.Signals) -> bool:
        """Return True for a hang-up that was ignored at the start: `nohup` says that the run outlives its terminal."""
        return number.name == "SIGHUP" and signal.getsignal(number) is signal.SIG_IGN

    def __exit__(self, *_: object) -> None:
        for number, handler in self._old.items():
            signal.signal(number, handler)  # type: ignore[arg-type]  # what signal() gave is what it takes
        self._old.clear()

    def _handle(self, number: int, frame: FrameType | None) -> None:
        name = signal.Signals(number).name
        if self._safe_making:
            return
        self.pending = name
        if self.shields == 0:
            self._raise()

    def _raise(self) -> None:
        name = self.pending or "signal"
        self.pending = None
        raise Interrupted(name)

    def shield(self) -> Shield:
        """A stretch that is whole or absent, for `with`; a signal that comes meanwhile is raised at its end."""
        return self._shield

    def raise_pending(self) -> None:
        """What came behind a shield, unless another shield is still up."""
        if self.pending is not None and self.shields == 0 and not self._safe_making:
            self._raise()

    def making_safe(self) -> None:
        """From here on no signal interrupts any more."""
        self._safe_making = True
