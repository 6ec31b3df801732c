"""
A raw socket, as pyvisa-py opens it; bytes are moved here and not by the session's own read and write.

Why not by them (each measured, each with a test in tests/link): the session's read drops what has come when its
time-out expires, takes the time-out for one of inactivity, and spins at full load when the peer has closed; its write
ignores the time-out; and it leaves TCP_NODELAY off, so that the second of two writes in a row arrives 40 ms late,
after the reading it was to precede. A VISA socket has no device clear either, and the session's `clear` never returns
once the peer has closed: it is not used.
"""

from __future__ import annotations

import contextlib
import socket
from typing import TYPE_CHECKING

from benchkit.clock import WallClock
from benchkit.link.wire import LONGEST_ANSWER, read_definite_block

if TYPE_CHECKING:
    from pyvisa.highlevel import VisaLibraryBase
    from pyvisa.typing import VISASession

__all__ = ["SocketWire"]

# On Windows a waiting socket call is not interrupted by Ctrl-C, so waits are cut in slices. Slicing loses nothing here:
# what has come stays in the buffer.
_SLICE_S = 0.25
_CHUNK = 65536


class SocketWire:
    """
    The wire over the socket of an open pyvisa-py session.

    Raises:
        OSError: Nobody listens there: opening a dead port succeeds, and the socket knows it.
    """

    def __init__(self, library: VisaLibraryBase, session: VISASession, connection: socket.socket) -> None:
        self._library, self._session, self._socket = library, session, connection
        self._buffer = bytearray()
        # A socket waits in real time, whatever clock the run is on.
        self._clock = WallClock()
        self._open = True
        error = connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR)
        if error:
            raise OSError(error, "cannot connect")
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def send(self, data: bytes, timeout_s: float) -> None:
        deadline_s = self._clock.monotonic() + timeout_s
        rest = memoryview(data)
        while rest:
            left_s = deadline_s - self._clock.monotonic()
            self._socket.settimeout(min(max(left_s, 0.0), _SLICE_S))
            try:
                rest = rest[self._socket.send(rest) :]
            except (TimeoutError, BlockingIOError):
                if left_s <= 0:
                    taken = len(data) - len(rest)
                    raise TimeoutError(f"took only {taken} of {len(data)} bytes within {timeout_s:g} s") from None

    def read_message(self, timeout_s: float) -> bytes:
        deadline_s = self._clock.monotonic() + timeout_s
        searched = 0
        is_late = False
        while (end := self._buffer.find(b"\n", searched)) < 0:
            searched = len(self._buffer)
            if is_late:
                raise self._timeout(timeout_s)
            is_late = self._receive(deadline_s)
        return self._cut(end + 1)

    def read_block(self, timeout_s: float) -> bytes:
        deadline_s = self._clock.monotonic() + timeout_s

        def take(count: int) -> bytes:
            is_late = False
            while len(self._buffer) < count:
                if is_late:
                    raise self._timeout(timeout_s)
                is_late = self._receive(deadline_s)
            return self._cut(count)

        return read_definite_block(take)

    def leftover(self) -> bytes:
        return bytes(self._buffer)

    def unasked(self) -> bytes:
        self._socket.settimeout(0.0)
        with contextlib.suppress(BlockingIOError):
            self._append(self._socket.recv(_CHUNK))
        return bytes(self._buffer)

    def drop(self) -> None:
        # Closing a socket waits for nothing, and what is still on its way to it can never be read.
        self.close()

    def close(self) -> None:
        if self._open:
            self._open = False
            self._library.close(self._session)

    def _receive(self, deadline_s: float) -> bool:
        """
        Wait for more and put it into the buffer.

        Returns:
            Whether the time was up already: what had come by then is taken once, for the process may have been held up,
            not the instrument.
        """
        while True:
            left_s = deadline_s - self._clock.monotonic()
            self._socket.settimeout(min(max(left_s, 0.0), _SLICE_S))
            try:
                self._append(self._socket.recv(_CHUNK))
            except (TimeoutError, BlockingIOError):
                if left_s > 0:
                    continue
            return left_s <= 0

    def _append(self, data: bytes) -> None:
        if not data:
            raise ConnectionResetError("the instrument has closed the connection")
        self._buffer += data
        if len(self._buffer) > LONGEST_ANSWER:
            raise ConnectionAbortedError(f"more than {LONGEST_ANSWER} bytes without an end")

    def _cut(self, count: int) -> bytes:
        data = bytes(self._buffer[:count])
        del self._buffer[:count]
        return data

    def _timeout(self, timeout_s: float) -> TimeoutError:
        come = bytes(self._buffer)
        partial = f"; {len(come)} bytes came: {come[:40]!r}" if come else ""
        return TimeoutError(f"no complete answer within {timeout_s:.3g} s{partial}")
