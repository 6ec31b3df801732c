"""One thread at a time on one link."""

from __future__ import annotations

import threading

from benchkit.errors import MisuseError

__all__ = ["OneUser"]


class OneUser:
    """
    Refuses a second thread; a context manager.

    Two threads on one session read each other's answers, without any error (measured: half of them wrong). Refused
    and not made to wait: between a question and its answer a link belongs to who asked. It can be entered again by
    the same thread, so that an interrupt between entering and leaving never locks the making safe out.
    """

    def __init__(self, name: str) -> None:
        self._name = name
        self._lock = threading.RLock()

    def __enter__(self) -> None:
        if not self._lock.acquire(False):
            raise MisuseError(f"{self._name}: another thread is using this link")

    def __exit__(self, kind: object, error: object, trace: object) -> None:
        self._lock.release()
