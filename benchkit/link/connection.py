"""
The connection behind a link: made, verified, dropped and made again.

Whatever goes wrong, an interrupt too, drops the connection; the next use makes a new one and verifies it before anything
is said. So a late answer can never be read as the answer to something else.
"""

from __future__ import annotations

import contextlib
import math

from benchkit.clock import Clock
from benchkit.errors import BenchkitError, BrokenLinkError
from benchkit.link.foreign import is_timeout, translated
from benchkit.link.library import Library
from benchkit.link.log import LinkLog
from benchkit.link.verify import who_answers
from benchkit.link.wire import Wire
from benchkit.scpi import Identity

__all__ = ["Connection"]


class Connection:
    """
    At most one wire to one address at a time.

    Args:
        name: The instrument's name in the bench file.
        address: VISA resource name.
        library: Opens it.
        clock: The one that goes on while the instrument is waited for.
        log: Where opening and dropping are noted.
        timeout_s: Longest wait for a connection, and again for the answer that verifies it. [s]

    Attributes:
        wire: The open and verified wire; None while dropped.
        longest_wait_s: Opening and verifying wait no longer than this each, whatever `timeout_s` says. [s]
    """

    def __init__(self, name: str, address: str, library: Library, clock: Clock, log: LinkLog | None, timeout_s: float) -> None:
        self.wire: Wire | None = None
        self.longest_wait_s = math.inf
        self._name, self._address, self._library = name, address, library
        self._clock, self._log, self._timeout_s = clock, log, timeout_s
        self._identity: Identity | None = None
        self._dropped = ""  # the question whose answer may still come out of the instrument
        self._remains: list[Wire] = []

    def open(self) -> Wire:
        """
        The wire; a new one, verified, if there is none.

        Raises:
            LinkError: Nobody there, nobody who answers, or another instrument than the first time.
        """
        if self.wire is not None:
            return self.wire
        self._bury()
        wire: Wire | None = None  # not in use before it is verified, whatever interrupts
        try:
            timeout_s = min(self._timeout_s, self.longest_wait_s)
            wire = self._library.open_wire(self._address, timeout_s, self._clock)
            identity = who_answers(wire, self._dropped, timeout_s, self._clock)
            if self._identity is not None and identity != self._identity:
                raise BrokenLinkError(self._name, f"{self._address} is {identity} now; it was {self._identity}")
        except BaseException as error:
            if wire is not None:
                self._discard(wire)
            self._note(f"not connected: {error!r}")
            if isinstance(error, BenchkitError) or not isinstance(error, Exception):
                raise
            doing = f"opening {self._address}"
            if is_timeout(error):
                # Nobody who answers there: not an answer that is late, but no link.
                raise BrokenLinkError(self._name, f"{doing}: {error}") from error
            raise translated(error, self._name, doing) from error
        self._identity, self._dropped, self.wire = identity, "", wire
        self._note(f"connected to {identity}")
        return wire

    def drop(self, why: str, due: str | None) -> None:
        """
        Make sure that nothing more is read from the wire. Waits for nothing.

        Args:
            why: For the log.
            due: The question whose answer has not been read; verifying the next wire throws that answer away.
        """
        wire, self.wire = self.wire, None
        if due is not None:
            self._dropped = due
        if wire is not None:
            self._discard(wire)
            self._note(f"connection dropped: {why}")

    def shout(self, data: bytes, timeout_s: float) -> None:
        """
        Send over a wire that nobody verified, and let go of it. [s]

        Raises:
            Exception: Whatever the library raises.
        """
        self._bury()
        wire = self._library.open_wire(self._address, min(self._timeout_s, timeout_s), self._clock)
        try:
            wire.send(data, timeout_s)
        finally:
            self._discard(wire)
            self._bury()

    def close(self) -> None:
        """
        Let go of the instrument.

        Raises:
            LinkError: Not gracefully; it is let go all the same.
        """
        wire, self.wire = self.wire, None
        try:
            if wire is not None:
                wire.close()
        except Exception as error:
            raise translated(error, self._name, f"closing {self._address}") from error
        finally:
            self._bury()

    def _discard(self, wire: Wire) -> None:
        """Read nothing more from it now; let go of it before the next is opened."""
        self._remains.append(wire)
        with contextlib.suppress(Exception):
            wire.drop()

    def _bury(self) -> None:
        while self._remains:
            wire = self._remains.pop()
            with contextlib.suppress(Exception):  # it was dropped because of its errors
                wire.close()

    def _note(self, text: str) -> None:
        if self._log is not None:
            self._log.note(self._name, "!", text)
