"""Messages on threads of their own: whoever tells goes on at once; what failed is asked for later, within a bounded time."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Mapping, Sequence
from typing import Any

from benchkit.clock import WallClock
from benchkit.notify.deliver import deliver
from benchkit.notify.settings import NotifySettings, Occasion

__all__ = ["QUIET_S", "Notifier", "message_of"]

QUIET_S = 3600.0
# A thread is given this much longer than its own time limit before it is left alone.
GRACE_S = 2.0


def message_of(kind: Occasion, text: str, facts: Mapping[str, Any]) -> dict[str, Any]:
    """
    What is sent, as plain data: kind, one line of text, this computer's name, and `facts`.
    """
    host = ""
    with contextlib.suppress(OSError):
        host = socket.gethostname()
    return {"benchkit": "notice", "version": 1, "kind": kind, "text": text, "host": host, **facts}


class Notifier:
    """
    Tells every target whose `when` names the occasion. Never raises.

    Args:
        targets: Whom to tell.
        facts: What every message says besides: record, unit, part...
    """

    def __init__(self, targets: Sequence[NotifySettings], facts: Mapping[str, Any] | None = None) -> None:
        self.targets = tuple(targets)
        self.facts = dict(facts or {})
        self._lock = threading.Lock()
        self._failed: list[str] = []
        self._out: list[tuple[threading.Thread, NotifySettings]] = []
        self._quiet_from_s: float | None = None

    def tell(self, kind: Occasion, text: str, **more: Any) -> None:
        """Start telling; returns at once."""
        message = message_of(kind, text, {**self.facts, **more})
        for target in self.targets:
            if kind in target.when:
                thread = threading.Thread(target=self._deliver, args=(target, message), name="benchkit-notify", daemon=True)
                try:
                    thread.start()
                except RuntimeError as error:  # no thread to be had; the run goes on without
                    self._note(target, error)
                else:
                    self._out.append((thread, target))

    def heard(self, now_s: float, *, is_point: bool) -> None:
        """
        A row was written; tells of a quiet hour when none was a point for so long.

        Args:
            now_s: Monotonic, on the run's clock. [s]
        """
        if self._quiet_from_s is None or is_point:
            self._quiet_from_s = now_s
        elif now_s - self._quiet_from_s >= QUIET_S:
            self._quiet_from_s = now_s
            self.tell("quiet hour", "no point for an hour; the run is still writing its record")

    def failures(self) -> list[str]:
        """
        Wait for what is still going out, as long as each may take and a little more, and say what failed; each once.
        """
        clock = WallClock()
        begun_s = clock.monotonic()
        for thread, target in self._out:
            thread.join(max(0.0, target.timeout_s + GRACE_S - (clock.monotonic() - begun_s)))
            if thread.is_alive():
                with self._lock:
                    self._failed.append(f"{target.way}: not done after {target.timeout_s + GRACE_S:g} s")
        self._out = []
        with self._lock:
            failed, self._failed = self._failed, []
        return failed

    def _deliver(self, target: NotifySettings, message: Mapping[str, Any]) -> None:
        try:
            deliver(target, message)
        except Exception as error:  # noqa: BLE001 - whatever goes wrong here must not reach the run
            self._note(target, error)

    def _note(self, target: NotifySettings, error: Exception) -> None:
        with self._lock:
            self._failed.append(f"{target.way}: {type(error).__name__}: {' '.join(str(error).split())}")
