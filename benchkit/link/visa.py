"""
The link over VISA. Its rules:

1. One answer due at a time (see protocol). While none is due nothing may lie on the wire; what does is an error, for
   every later answer would be that of the question before.
2. Whatever goes wrong, an interrupt too, drops the connection; the next verb makes a new one (see connection, verify).
3. Errors of others are translated at this border, with their cause.
"""

from __future__ import annotations

import contextlib
import math
from typing import TYPE_CHECKING, NoReturn

from benchkit.clock import Clock, WallClock
from benchkit.errors import BenchkitError, BrokenLinkError, ClosedError, FileError, Mistake, MisuseError, ReplyError
from benchkit.link.claim import Claim
from benchkit.link.connection import Connection
from benchkit.link.foreign import translated
from benchkit.link.library import Library
from benchkit.link.log import LinkLog
from benchkit.link.message import check_question, check_statement
from benchkit.link.user import OneUser
from benchkit.link.wire import Wire
from benchkit.scpi import ScpiSyntaxError

if TYPE_CHECKING:
    from pyvisa.highlevel import VisaLibraryBase

__all__ = ["VisaLink"]


class VisaLink:
    """
    A link over a VISA library; opened and verified on construction. See `Link` for the verbs.

    Args:
        name: The instrument's name in the bench file.
        address: VISA resource name: TCPIP...::SOCKET, TCPIP...::INSTR (VXI-11, HiSLIP), GPIB, USB, ASRL.
        library: From `open_library`, or a pyvisa library as such.
        clock: The run's clock. Real instruments are waited for in real time all the same.
        log: Where every message is noted.
        open_timeout_s: Longest wait for a connection, and again for the answer that verifies it. [s]
        write_timeout_s: Longest wait for an instrument to take a message. [s]
        exclusive: Claim the address for this process. Only who makes safe in place of a stuck run may do without.

    Raises:
        LinkError: Nobody there, nobody who answers *IDN?, or the address is in use by another run.
        FileError: The address is not a VISA resource name.
    """

    def __init__(
        self,
        name: str,
        address: str,
        library: Library | VisaLibraryBase,
        clock: Clock,
        log: LinkLog | None = None,
        *,
        open_timeout_s: float = 5.0,
        write_timeout_s: float = 5.0,
        exclusive: bool = True,
    ) -> None:
        self._name, self._address, self._log = name, address, log
        self._write_timeout_s = write_timeout_s
        opener = library if isinstance(library, Library) else Library.around(library)
        waits_on = clock if opener.is_in_process else WallClock()
        self._connection = Connection(name, address, opener, waits_on, log, open_timeout_s)
        self._user = OneUser(name)
        self._due: str | None = None
        self._longest_wait_s = math.inf
        self._closed = False
        self._claim: Claim | None = None
        canonical = _canonical(name, address)
        if exclusive and not opener.is_in_process:
            self._claim = Claim(name, canonical)
        try:
            self._connection.open()
        except BaseException:
            with contextlib.suppress(BenchkitError):
                self.close()
            raise

    @property
    def name(self) -> str:
        return self._name

    @property
    def address(self) -> str:
        return self._address

    @property
    def is_waiting(self) -> bool:
        return self._due is not None

    @property
    def is_closed(self) -> bool:
        return self._closed

    def write(self, message: str) -> None:
        check_statement(self._name, message)
        with self._user:
            self._send(message, None)

    def ask(self, message: str) -> None:
        check_question(self._name, message)
        with self._user:
            self._send(message, message)

    def answer(self, *, timeout_s: float) -> str:
        with self._user:
            return self._answer(timeout_s)

    def query(self, message: str, *, timeout_s: float) -> str:
        check_question(self._name, message)
        with self._user:
            try:
                self._send(message, message)
                return self._answer(timeout_s)
            except BenchkitError:
                raise
            except BaseException:
                self._drop("interrupted")  # between the two, or in them: the answer must not stay due
                raise

    def answer_block(self, *, timeout_s: float) -> bytes:
        with self._user:
            return self._answer_block(timeout_s)

    def query_block(self, message: str, *, timeout_s: float) -> bytes:
        check_question(self._name, message)
        with self._user:
            try:
                self._send(message, message)
                return self._answer_block(timeout_s)
            except BenchkitError:
                raise
            except BaseException:
                self._drop("interrupted")
                raise

    def abandon(self) -> None:
        with self._user:
            self._check_open()
            if self._due is not None:
                self._drop("abandoned")

    def limit_waits(self, timeout_s: float | None) -> None:
        self._longest_wait_s = math.inf if timeout_s is None else timeout_s
        self._connection.longest_wait_s = self._longest_wait_s

    def reopen(self) -> None:
        with self._user:
            self._check_open()
            self._drop("to be reopened")
            self._connection.open()

    def shout(self, message: str) -> None:
        check_statement(self._name, message)
        with self._user:
            self._check_open()
            self._drop("nobody answers")
            try:
                self._connection.shout(message.encode("ascii") + b"\n", min(self._write_timeout_s, self._longest_wait_s))
            except BaseException as error:  # noqa: BLE001 - _fall raises it again
                self._fall(error, f"sending {message!r} to whoever listens")
        if self._log is not None:
            self._log.note(self._name, ">", f"{message} (to whoever listens)")

    def close(self) -> None:
        # Any thread may close: closing always lets go.
        if self._closed:
            return
        self._closed = True
        self._due = None
        try:
            self._connection.close()
        finally:
            if self._claim is not None:
                self._claim.release()

    def _check_open(self) -> None:
        if self._closed:
            raise ClosedError(f"{self._name}: the link is closed")

    def _waiting(self) -> tuple[Wire, str]:
        self._check_open()
        wire = self._connection.wire
        if self._due is None or wire is None:
            raise MisuseError(f"{self._name}: no answer is due")
        return wire, self._due

    def _send(self, message: str, due: str | None) -> None:
        if self._due is not None:
            raise MisuseError(f"{self._name}: {message!r} while the answer to {self._due!r} is due")
        self._check_open()
        wire = self._connection.wire or self._connection.open()
        try:
            unasked = wire.unasked()
            if unasked:
                text = f"said {unasked[:80]!r} although nothing was asked; earlier answers may be those of other questions"
                raise BrokenLinkError(self._name, text)
            # Before it is sent: an interrupt just behind it must find the answer due.
            self._due = due
            wire.send(message.encode("ascii") + b"\n", min(self._write_timeout_s, self._longest_wait_s))
        except BaseException as error:  # noqa: BLE001 - _fall raises it again
            self._fall(error, f"sending {message!r}")
        if self._log is not None:
            self._log.note(self._name, ">", message)

    def _answer(self, timeout_s: float) -> str:
        wire, due = self._waiting()
        try:
            data = wire.read_message(min(timeout_s, self._longest_wait_s))
            if wire.leftover():
                raise ScpiSyntaxError(data + wire.leftover(), len(data), "one line")
            self._due = None
        except BaseException as error:  # noqa: BLE001 - _fall raises it again
            self._fall(error, f"the answer to {due!r}")
        return self._text(data, due)

    def _answer_block(self, timeout_s: float) -> bytes:
        wire, due = self._waiting()
        try:
            data = wire.read_block(min(timeout_s, self._longest_wait_s))
            if wire.leftover():
                raise ScpiSyntaxError(wire.leftover(), 0, "nothing more behind the block")
            self._due = None
        except BaseException as error:  # noqa: BLE001 - _fall raises it again
            self._fall(error, f"the block that answers {due!r}")
        if self._log is not None:
            self._log.note(self._name, "<", data)
        return data

    def _text(self, data: bytes, due: str) -> str:
        if self._log is not None:
            self._log.note(self._name, "<", data.decode("latin-1").rstrip("\r\n"))
        try:
            text = data.decode("ascii")
        except UnicodeDecodeError as error:
            where = f"byte 0x{data[error.start]:02X} at position {error.start} of {data[:80]!r}"
            raise ReplyError(self._name, f"the answer to {due!r}: {where} is not ASCII") from error
        text = text.removesuffix("\n").removesuffix("\r")
        if "\n" in text:
            raise ReplyError(self._name, f"the answer to {due!r}: more than one line: {text[:80]!r}")
        return text

    def _fall(self, error: BaseException, doing: str) -> NoReturn:
        """Drop the connection and raise: ours for theirs; what is no Exception (Ctrl-C, Interrupted) as it is."""
        self._drop(f"{doing}: {error!r}")
        if isinstance(error, BenchkitError) or not isinstance(error, Exception):
            raise error
        raise translated(error, self._name, doing) from error

    def _drop(self, why: str) -> None:
        # First the wire, then what is due on it: an interrupt between the two must not leave a wire that looks clean.
        self._connection.drop(why, self._due)
        self._due = None


def _canonical(name: str, address: str) -> str:
    from pyvisa import rname

    try:
        return rname.to_canonical_name(address)
    except rname.InvalidResourceName as error:
        mistake = Mistake("bench file", None, f"instruments.{name}.address", f"not a VISA resource name: {error}")
        raise FileError([mistake]) from error
