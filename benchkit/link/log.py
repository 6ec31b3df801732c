"""Every message on every wire, one line each: what was said, when, to whom."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import TextIO

from benchkit.clock import Clock

__all__ = ["LinkLog"]

_SHOWN = 400


class LinkLog:
    """
    A text file with one line per message: time (UTC), instrument, direction, text; tabs between.

    Directions: ">" to the instrument, "<" from it, "!" what befell the wire. Each line is flushed, so that the log of a
    killed run ends with its last message. Failing to write never disturbs the run: the log stops, says so once through
    `tell`, and keeps the reason in `failure`.

    Args:
        path: Appended to; its folder must exist.
        clock: Where the times come from.
        tell: Called once with one line when the log cannot be written any more.
    """

    def __init__(self, path: Path, clock: Clock, *, tell: Callable[[str], None] | None = None) -> None:
        self.path = path
        self.failure: OSError | ValueError | None = None
        self._clock = clock
        self._tell = tell
        self._file: TextIO | None = None
        try:
            self._file = path.open("a", encoding="utf-8", newline="\n")
        except OSError as error:
            self._fail(error)

    def note(self, name: str, direction: str, text: str | bytes) -> None:
        """Write one line. Bytes that are not text, and long texts, are shortened; control characters are escaped."""
        if self._file is None:
            return
        moment = datetime.fromtimestamp(self._clock.now(), UTC).isoformat(timespec="milliseconds")
        try:
            self._file.write(f"{moment}\t{name}\t{direction}\t{_shown(text)}\n")
            self._file.flush()
        except (OSError, ValueError) as error:  # ValueError: the file was closed under us
            self._fail(error)

    def close(self) -> None:
        """Closing twice is fine."""
        if self._file is None:
            return
        file, self._file = self._file, None
        try:
            file.close()
        except OSError as error:
            self._fail(error)

    def _fail(self, error: OSError | ValueError) -> None:
        file, self._file = self._file, None
        if file is not None:
            with contextlib.suppress(OSError):  # the first failure is the one told
                file.close()
        if self.failure is None:
            self.failure = error
            if self._tell is not None:
                self._tell(f"{self.path}: messages are no longer logged: {error}")


def _shown(text: str | bytes) -> str:
    if isinstance(text, bytes):
        head = text[:24].hex(" ")
        return f"{len(text)} bytes: {head}{' ...' if len(text) > 24 else ''}"
    shown = text if len(text) <= _SHOWN else f"{text[:_SHOWN]}... ({len(text)} characters)"
    return shown if shown.isprintable() else shown.encode("unicode_escape").decode("ascii")
