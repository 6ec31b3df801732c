"""
Any VISA session, by the library's own read and write: GPIB, USB, VXI-11, HiSLIP, serial, a socket of the system's VISA,
and the in-process library of a simulated bench.

The library's functions are called on the session directly: a resource object in between costs as much as the library
itself. The time limit is on the whole answer; VISA's, which is set anew only when it changes, is on one call. An
expired VISA time-out loses what had come, so a wait is never cut in slices here.
"""

from __future__ import annotations

import contextlib
import math
from typing import TYPE_CHECKING

from pyvisa.constants import ResourceAttribute, StatusCode
from pyvisa.errors import VisaIOError

from benchkit.clock import Clock
from benchkit.link.wire import LONGEST_ANSWER, read_definite_block
from benchkit.scpi import parse_block

if TYPE_CHECKING:
    from pyvisa.highlevel import VisaLibraryBase
    from pyvisa.typing import VISASession

__all__ = ["SessionWire"]

_CHUNK = 20480
_NEWLINE = ord("\n")
_HARDLY_LONGER = 1.1
# Filled up, not failed; pyvisa warns of it, and of nothing else that an ordinary read does.
_FULL = StatusCode.success_max_count_read


class SessionWire:
    """
    The wire over an open VISA session.

    Args:
        has_end: Whether messages end by END (the bus's own signal), as on GPIB, USB, VXI-11 and HiSLIP; else by
            newline.
        timeout_s: For opening: here, the device clear. [s]
        clock: The one that goes on while the library waits.
    """

    def __init__(self, library: VisaLibraryBase, session: VISASession, *, has_end: bool, timeout_s: float, clock: Clock) -> None:
        self._library, self._session, self._has_end, self._clock = library, session, has_end, clock
        self._read, self._write = library.read, library.write
        self._limit_s = math.nan
        self._open = True
        self._quiet = library.ignore_warning(session, _FULL)
        self._quiet.__enter__()
        self._set(ResourceAttribute.termchar, _NEWLINE)
        # With END a newline inside a block must not end the reading.
        self._set(ResourceAttribute.termchar_enabled, not has_end)
        self._limit(timeout_s)
        with contextlib.suppress(Exception):
            if has_end:
                # Device clear: on a bus, what an earlier run left unread lies in the instrument (IEEE 488.2: empties
                # input and output, changes no setting). Some backends cannot; verifying the connection settles it
                # then.
                library.clear(session)
            else:
                # The standard's default; asked for because without it the second of two writes is late.
                library.set_attribute(session, ResourceAttribute.tcpip_nodelay, True)

    def send(self, data: bytes, timeout_s: float) -> None:
        # A limit that is set already will do if it is shorter, or hardly longer (a reading's own time): changing it for each
        # write and back costs more than the write.
        if not self._limit_s <= _HARDLY_LONGER * timeout_s:
            self._limit(timeout_s)
        count, status = self._write(self._session, data)
        if status < 0:
            raise VisaIOError(status)
        if count != len(data) and count != 0:
            raise ConnectionAbortedError(f"took only {count} of {len(data)} bytes")

    def read_message(self, timeout_s: float) -> bytes:
        start_s = self._clock.monotonic()
        self._limit(timeout_s)
        data, status = self._read(self._session, _CHUNK)
        if status < 0:
            raise VisaIOError(status)
        if self._is_end(data, status):
            return bytes(data)
        return self._read_on(bytearray(data), start_s, timeout_s)

    def read_block(self, timeout_s: float) -> bytes:
        if self._has_end:
            return parse_block(self.read_message(timeout_s))
        deadline_s = self._clock.monotonic() + timeout_s

        def take(count: int) -> bytes:
            # The newline as termination character cuts these reads short wherever the block holds one: read on.
            data = bytearray()
            while len(data) < count:
                data += self._next(min(count - len(data), _CHUNK), deadline_s, timeout_s)
            return bytes(data)

        return read_definite_block(take)

    def leftover(self) -> bytes:
        return b""

    def unasked(self) -> bytes:
        return b""  # VISA cannot tell without waiting

    def drop(self) -> None:
        # Nothing: a goodbye may wait for an instrument that is busy (VXI-11 destroys the link by a call of its own),
        # and dropping happens on the way out of an interrupt. `close` follows before the next opening.
        pass

    def close(self) -> None:
        if self._open:
            self._open = False
            self._quiet.__exit__(None, None, None)
            self._library.close(self._session)

    def _read_on(self, data: bytearray, start_s: float, timeout_s: float) -> bytes:
        deadline_s = start_s + timeout_s
        while True:
            chunk, status = self._read_more(_CHUNK, deadline_s, timeout_s, data)
            data += chunk
            if self._is_end(chunk, status):
                return bytes(data)

    def _next(self, count: int, deadline_s: float, timeout_s: float) -> bytes:
        chunk, _ = self._read_more(count, deadline_s, timeout_s, b"")
        return chunk

    def _read_more(self, count: int, deadline_s: float, timeout_s: float, come: bytes | bytearray) -> tuple[bytes, StatusCode]:
        left_s = deadline_s - self._clock.monotonic()
        if left_s <= 0:
            partial = f"; {len(come)} bytes came: {bytes(come[:40])!r}" if come else ""
            raise TimeoutError(f"no complete answer within {timeout_s:.3g} s{partial}")
        if len(come) > LONGEST_ANSWER:
            raise ConnectionAbortedError(f"more than {LONGEST_ANSWER} bytes without an end")
        self._limit(left_s)
        chunk, status = self._read(self._session, count)
        if status < 0:
            raise VisaIOError(status)
        return chunk, status

    def _is_end(self, chunk: bytes, status: StatusCode) -> bool:
        if self._has_end:
            # VI_SUCCESS: END came. pyvisa-py says "termination character read" for HiSLIP's END.
            return status != _FULL
        return chunk.endswith(b"\n")

    def _limit(self, timeout_s: float) -> None:
        if timeout_s != self._limit_s:
            self._limit_s = math.nan  # unknown until it is set
            self._set(ResourceAttribute.timeout_value, max(1, math.ceil(timeout_s * 1000)))
            self._limit_s = timeout_s

    def _set(self, attribute: ResourceAttribute, value: int) -> None:
        status = self._library.set_attribute(self._session, attribute, value)
        if status < 0:
            raise VisaIOError(status)
