"""
The twin in process: pyvisa-sim's library, with the twin's instruments as its devices and sessions that read by time.

A reply carries the moment it is ready; reading it moves the clock there, or to the end of the time-out. What
pyvisa-sim leaves out is here: a missing resource raises, serial poll, device clear and trigger work, and an error in
the twin's own code is never taken for an unsupported operation.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pyvisa import constants, rname
from pyvisa.errors import VisaIOError
from pyvisa.util import LibraryPath
from pyvisa_sim.highlevel import SimVisaLibrary
from pyvisa_sim.sessions.session import MessageBasedSession, Session

from benchkit.bench.load import Bench, load_bench
from benchkit.clock import Clock, VirtualClock
from benchkit.errors import FileError, Mistake
from sim_instruments.faults import Whereabouts, read_faults
from sim_instruments.hands import Hands
from sim_instruments.instruments import Port, SimulatedInstrument
from sim_instruments.twin import Fault, Twin, build_twin

__all__ = ["TwinLibrary", "TwinSession", "open_library"]

Attribute = constants.ResourceAttribute
Status = constants.StatusCode

_numbers = itertools.count(1)


class TwinSession(MessageBasedSession):  # type: ignore[misc]
    """One connection; mixed with the session class of its interface, which knows the attributes."""

    def connect(self, twin: Twin, instrument: SimulatedInstrument) -> None:
        """Give it something to talk to."""
        # Only a raw socket and a serial line have no END (VPP-4.3, 6.1): there the newline ends a message.
        parsed = self.parsed
        self._has_end = parsed.resource_class == "INSTR" and parsed.interface_type_const != constants.InterfaceType.asrl
        self._twin, self._instrument = twin, instrument
        self.port: Port = instrument.open_port(is_stream=not self._has_end)
        self._cuts = instrument.cuts
        clock = twin.clock
        self._now = clock.monotonic
        # Of a virtual clock to the moment itself: adding up what is left would miss it by a rounding.
        self._advance = clock.advance_to if isinstance(clock, VirtualClock) else self._wait_until
        self._rest = b""
        self._timeout_s = 2.0
        self._termchar: bytes | None = None
        self._ends_with_message = self._has_end
        # As pyvisa-py has it: without a termination character a socket's read ends with its count, or not at all.
        if not self._has_end:
            self.attrs[Attribute.suppress_end_enabled] = True

    def set_attribute(self, attribute: constants.ResourceAttribute, attribute_state: Any) -> constants.StatusCode:
        status: constants.StatusCode = super().set_attribute(attribute, attribute_state)
        timeout_ms = self.attrs.get(Attribute.timeout_value, 2000)
        self._timeout_s = math.inf if timeout_ms == constants.VI_TMO_INFINITE else timeout_ms / 1000.0
        enabled = self.attrs.get(Attribute.termchar_enabled, False)
        self._termchar = bytes([self.attrs.get(Attribute.termchar, 10)]) if enabled else None
        self._ends_with_message = self._has_end and not self.attrs.get(Attribute.suppress_end_enabled, False)
        return status

    def write(self, data: bytes) -> tuple[int, constants.StatusCode]:
        if not self._instrument.is_reachable or self._cuts != self._instrument.cuts:
            self._check_reachable()
        t = self._now()
        if self._twin.next_wake <= t:
            self._twin.run_until(t)
        self.port.write(bytes(data), t, end=self._has_end)
        return len(data), Status.success

    def read(self, count: int) -> tuple[bytes, constants.StatusCode]:
        if not self._instrument.is_reachable or self._cuts != self._instrument.cuts:
            self._check_reachable()
        deadline = self._now() + self._timeout_s
        taken = b""
        while True:
            if not self._rest:
                self._rest = self._next_reply(deadline)
            data = self._rest
            wanted = count - len(taken)
            if self._termchar is not None:
                end = data.find(self._termchar, 0, wanted) + 1
                if end:
                    self._rest = data[end:]
                    return taken + data[:end], Status.success_termination_character_read
            if len(data) > wanted or (len(data) == wanted and not self._ends_with_message):
                self._rest = data[wanted:]
                return taken + data[:wanted], Status.success_max_count_read
            self._rest = b""
            taken += data
            if self._ends_with_message:
                return taken, Status.success

    def read_stb(self) -> int:
        """Serial poll."""
        t = self._settle_time()
        return self._instrument.read_status_byte(t, self.port)

    def clear(self) -> None:
        """Device clear."""
        t = self._settle_time()
        self._rest = b""
        self._instrument.clear(t, self.port)

    def assert_trigger(self) -> None:
        """Group execute trigger: does what *TRG does."""
        t = self._settle_time()
        self._instrument.receive(b"*TRG", t, self.port)

    def drop_input(self) -> None:
        """What was sent by the instrument and not read yet is thrown away."""
        t = self._settle_time()
        self._rest = b""
        while self.port.replies and self.port.replies[0].ready_at <= t:
            self.port.replies.popleft()

    def _next_reply(self, deadline: float) -> bytes:
        twin, replies = self._twin, self.port.replies
        if not replies and not self.port.has_reply:
            self.port.read_nothing(self._now())
        while not replies:
            # Somebody's message may have to go on before this one can be answered.
            due = twin.next_wake
            if due > deadline:
                self._time_out(deadline)
            self._advance(due)
            twin.run_until(due)
        ready_at = replies[0].ready_at
        if ready_at > deadline:
            self._time_out(deadline)
        self._advance(ready_at)
        return replies.popleft().data

    def _time_out(self, deadline: float) -> None:
        if deadline == math.inf:
            raise RuntimeError(f"{self._instrument.name}: read without a time limit, and no answer will ever come")
        self._advance(deadline)
        raise VisaIOError(Status.error_timeout)

    def _wait_until(self, t: float) -> None:
        self._twin.clock.sleep(t - self._now())

    def _settle_time(self) -> float:
        self._check_reachable()
        t = self._now()
        self._twin.run_until(t)
        return t

    def _check_reachable(self) -> None:
        if not self._instrument.is_reachable or self._cuts != self._instrument.cuts:
            raise VisaIOError(Status.error_connection_lost)


class TwinLibrary(SimVisaLibrary):  # type: ignore[misc]
    """A VISA library whose only resources are the instruments of one twin; made by `open_library`."""

    is_in_process = True
    twin: Twin

    @property
    def hands(self) -> Hands:
        """Who connects standards and device at this bench."""
        return self.twin.hands

    def _init(self) -> None:
        self.sessions: dict[int, Any] = {}

    def open(
        self,
        session: int,
        resource_name: str,
        access_mode: constants.AccessModes = constants.AccessModes.no_lock,
        open_timeout: int = constants.VI_TMO_IMMEDIATE,
    ) -> tuple[int, constants.StatusCode]:
        try:
            parsed = rname.parse_resource_name(resource_name)
        except rname.InvalidResourceName:
            raise VisaIOError(Status.error_invalid_resource_name) from None
        instrument = self.twin.at_address(resource_name)
        if instrument is None:
            raise VisaIOError(Status.error_resource_not_found)
        # Time has gone on while nobody talked: one that was starting up may be there by now.
        self.twin.run_until(self.twin.clock.monotonic())
        if not instrument.is_reachable:
            raise VisaIOError(Status.error_timeout)
        base = Session.get_session_class(parsed.interface_type_const, parsed.resource_class)
        opened = type(f"Twin{base.__name__}", (TwinSession, base), {})(session, resource_name, parsed)
        opened.connect(self.twin, instrument)
        return self._register(opened), Status.success

    def close(self, session: int) -> constants.StatusCode:
        closed = self.sessions.pop(session, None)
        if closed is None:
            return Status.error_invalid_object
        others = any(isinstance(other, TwinSession) for other in self.sessions.values())
        # The story ends when nobody is connected any more, or when the resource manager goes and leaves some behind.
        if others != isinstance(closed, TwinSession):
            self.twin.finish()
        return Status.success

    def list_resources(self, session: int, query: str = "?*::INSTR") -> tuple[str, ...]:
        names = [str(rname.parse_resource_name(item.address)) for item in self.twin.bench.file.instruments.values()]
        found: tuple[str, ...] = rname.filter(names, query)
        return found

    def read(self, session: int, count: int) -> tuple[bytes, constants.StatusCode]:
        opened = self.sessions.get(session)
        if opened is None:
            return b"", self._noted(session, Status.error_invalid_object)
        data, status = opened.read(count)
        self._last_status = self._last_status_in_session[session] = status
        return data, status

    def write(self, session: int, data: bytes) -> tuple[int, constants.StatusCode]:
        opened = self.sessions.get(session)
        if opened is None:
            return 0, self._noted(session, Status.error_invalid_object)
        count, status = opened.write(data)
        self._last_status = self._last_status_in_session[session] = status
        return count, status

    def read_stb(self, session: int) -> tuple[int, constants.StatusCode]:
        return self._opened(session).read_stb(), self._noted(session, Status.success)

    def clear(self, session: int) -> constants.StatusCode:
        self._opened(session).clear()
        return self._noted(session, Status.success)

    def assert_trigger(self, session: int, protocol: constants.TriggerProtocol) -> constants.StatusCode:
        self._opened(session).assert_trigger()
        return self._noted(session, Status.success)

    def flush(self, session: int, mask: constants.BufferOperation) -> constants.StatusCode:
        discards = constants.BufferOperation.discard_read_buffer | constants.BufferOperation.discard_receive_buffer
        if mask & (discards | constants.BufferOperation.discard_read_buffer_no_io):
            self._opened(session).drop_input()
        return self._noted(session, Status.success)

    def _opened(self, session: int) -> TwinSession:
        opened = self.sessions.get(session)
        if not isinstance(opened, TwinSession):
            raise VisaIOError(Status.error_invalid_object)
        return opened

    def _noted(self, session: int, status: constants.StatusCode) -> constants.StatusCode:
        self._last_status = self._last_status_in_session[session] = status
        return status


def open_library(
    clock: Clock,
    *,
    bench: Bench | None = None,
    bench_path: Path | None = None,
    seed: int = 1,
    unit: str = "L07-W1-01",
    ledger_path: Path | None = None,
    faults: Sequence[str | Fault] = (),
    span_s: float | None = None,
    whereabouts: Whereabouts | None = None,
    faults_path: Path | None = None,
) -> TwinLibrary:
    """
    A twin of its own, as a VISA library: `pyvisa.ResourceManager(open_library(...))`.

    Args:
        clock: Shared with the caller; a virtual one makes waiting free.
        bench: The bench file, read already.
        bench_path: Or where it is; one of the two.
        seed: Of everything that is drawn.
        unit: Serial number of the unit on the bench.
        ledger_path: File for the ledger; None keeps it in memory.
        faults: What shall go wrong on purpose, NAME@WHEN each (see benchkit.fault_text); or objects.
        span_s: How long the run will take, for faults at a random moment. [s]
        whereabouts: How far the run is, for faults at a point or a condition.
        faults_path: File for what became of each fault.

    Raises:
        FileError: Mistakes in the bench file, the device file or `twin:` mappings; no bench file given; or a text that is
            no fault of this bench.
    """
    if bench is None:
        if bench_path is None:
            message = "the twin needs to know its bench: give the bench file"
            raise FileError([Mistake("bench file", None, "link.library", message)])
        bench = load_bench(bench_path)
    # Libraries are cached by class and path; without a path of its own a second twin would be the first one.
    library = TwinLibrary(LibraryPath(f"twin-{next(_numbers)}", "made by open_library"))
    texts = [fault for fault in faults if isinstance(fault, str)]
    planted = [fault for fault in faults if not isinstance(fault, str)]
    if texts:
        planted.append(read_faults(texts, bench, span_s=span_s, whereabouts=whereabouts, account=faults_path))
    library.twin = build_twin(bench, clock, seed=seed, unit=unit, ledger_path=ledger_path, faults=planted)
    return library
