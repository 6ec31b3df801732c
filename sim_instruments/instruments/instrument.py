"""
What all simulated instruments have in common: messages executed on arrival, waiting, status, common commands.

Time is handed in with every call and never read. A message that has to wait (`*WAI`, `*OPC?`, FETCh? of a reading still
under way) waits by itself: messages that arrive meanwhile are executed when they arrive. The rest of a waiting message
is executed by `wake`, which whoever moves the time calls before anything else happens at a later time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import ClassVar

from sim_instruments.instruments.noise import generator
from sim_instruments.instruments.port import Port, Reply
from sim_instruments.scpi import Command, Compiler, Fault, HeaderTree, Integer, Status, Step
from sim_instruments.scpi.status import OPERATION_COMPLETE, ConditionRegister

__all__ = ["SimulatedInstrument"]

MAKER = "Generic SCPI"
FIRMWARE = "1.0"
VERSION = "1999.0"
NEVER = math.inf

# STATus:OPERation bits (SCPI volume 2, 20.3).
SETTLING = 0x0002
MEASURING = 0x0010


class _Waiting:
    """A message that goes on at `due`."""

    __slots__ = ("due", "number", "parts", "port", "position", "steps")

    def __init__(
        self, due: float, steps: Sequence[Step], position: int, parts: list[str], port: Port, number: int
    ) -> None:
        self.due, self.steps, self.position, self.parts, self.port = due, steps, position, parts, port
        self.number = number


class SimulatedInstrument:
    """
    One instrument: its settings, its parser, its status.

    Args:
        name: Its name in the bench file.
        seed: Of the twin; with the name it decides the serial number.
        maker: First field of the answer to *IDN?.
        t: Now: the moment it is switched on. [s]
    """

    model: ClassVar[str]

    def __init__(self, name: str, *, seed: int, maker: str, t: float) -> None:
        self.name = name
        self.status = Status()
        self.wakes_at = NEVER
        """When its next waiting message goes on. [s]"""
        self.on_wait: Callable[[SimulatedInstrument], None] | None = None
        """Called when a message has begun to wait."""
        self.is_reachable = True
        """For faults: whether it can be talked to at all."""
        self.hears: Callable[[bytes, float], bytes | None] | None = None
        """For faults: what becomes of a message on its way in; None: it never arrives."""
        self.says: Callable[[Reply], Reply | None] | None = None
        """For faults: what becomes of a reply on its way out; None: it is lost."""
        self._settled_at = t
        self._measured_at = t
        self._hold_until = t
        self._complete_at = NEVER
        self._message_number = 0
        self._messages = 0
        self._waiting: list[_Waiting] = []
        self._maker = maker
        self._serial = f"SIM-{generator(seed, name, 'serial').integers(0, 1_000_000):06d}"
        self._compiler = Compiler(HeaderTree([*self._common_commands(), *self.commands()]))

    # ------------------------------------------------------------------ what a kind of instrument fills in

    def commands(self) -> list[Command]:
        """Its own headers."""
        raise NotImplementedError

    def reset(self, t: float) -> None:
        """*RST: its own settings to their defaults, outputs off."""
        raise NotImplementedError

    def abort(self, t: float) -> None:
        """ABORt: a measurement under way is given up."""

    def trigger(self, t: float) -> None:
        """*TRG or a bus trigger."""
        raise Fault(-211)

    def questionable_condition(self, t: float) -> int:
        """Bits of STATus:QUEStionable as they are now."""
        return 0

    # ------------------------------------------------------------------ for the transport

    def open_port(self, *, is_stream: bool = True) -> Port:
        """A connection of its own; several at once are allowed."""
        return Port(self, is_stream=is_stream)

    def receive(self, message: bytes, t: float, port: Port) -> None:
        """Execute one program message, terminator taken off; its reply, if it has one, goes to `port`."""
        steps = self._compiler.compile(message)
        self._messages = self._message_number = self._messages + 1
        if len(steps) == 1:
            # The common case by itself: no list of parts, nothing that could have to wait.
            function, values = steps[0]
            self._hold_until = t
            try:
                answer = function(t, *values)
            except Fault as fault:
                self.status.report(fault.number, fault.detail)
                return
            if answer is not None:
                port.deliver(Reply(answer.encode("latin-1") + b"\n", self._hold_until), self._message_number)
            return
        self._run(steps, 0, [], t, port)

    def wake(self, t: float) -> None:
        """Let messages that are due by `t` go on, each at its own time, in order."""
        while self.wakes_at <= t:
            waiting = self._waiting[0]
            if len(self._waiting) > 1:
                waiting = min(self._waiting, key=lambda message: message.due)
            self._waiting.remove(waiting)
            self._note_wake_time()
            waiting.port.end_waiting(waiting.number)
            self._message_number = waiting.number
            self._run(waiting.steps, waiting.position, waiting.parts, waiting.due, waiting.port)
            waiting.port.release()

    def fail(self, fault: Fault, t: float) -> None:
        """Something went wrong outside a command, e.g. in the message exchange."""
        self.status.report(fault.number, fault.detail)

    def forget(self, port: Port) -> None:
        """What waits for this port is not executed any more."""
        self._waiting = [waiting for waiting in self._waiting if waiting.port is not port]
        self._note_wake_time()

    def clear(self, t: float, port: Port) -> None:
        """Device clear: drops input, output and waiting messages; settings stay."""
        port.clear()
        self._complete_at = NEVER

    def read_status_byte(self, t: float, port: Port) -> int:
        """Serial poll."""
        self._refresh(t)
        return self.status.byte(any(reply.ready_at <= t for reply in port.replies))

    # ------------------------------------------------------------------ for the kinds of instruments

    def _hold(self, until: float) -> None:
        """The present message cannot go on, and its reply cannot be read, before `until`."""
        if until > self._hold_until:
            self._hold_until = until

    def _settle(self, t: float, duration_s: float) -> None:
        """A setting changed: it has settled after `duration_s`."""
        self._settled_at = max(self._settled_at, t + duration_s)

    # ------------------------------------------------------------------ execution

    def _run(self, steps: Sequence[Step], position: int, parts: list[str], t: float, port: Port) -> None:
        last = len(steps) - 1
        self._hold_until = t
        while position <= last:
            function, values = steps[position]
            try:
                answer = function(t, *values)
            except Fault as fault:
                self.status.report(fault.number, fault.detail)
            else:
                if answer is not None:
                    parts.append(answer)
            position += 1
            if self._hold_until > t and position <= last:
                self._wait(_Waiting(self._hold_until, steps, position, parts, port, self._message_number))
                return
        if parts:
            port.deliver(Reply(";".join(parts).encode("latin-1") + b"\n", self._hold_until), self._message_number)

    def _wait(self, message: _Waiting) -> None:
        self._waiting.append(message)
        message.port.begin_waiting(message.number)
        if message.due < self.wakes_at:
            self.wakes_at = message.due
        if self.on_wait is not None:
            self.on_wait(self)

    def _note_wake_time(self) -> None:
        waiting = self._waiting
        self.wakes_at = min([message.due for message in waiting]) if waiting else NEVER

    def _pending_until(self) -> float:
        return max(self._settled_at, self._measured_at)

    def _refresh(self, t: float) -> None:
        """Bring the status up to `t`; it is only looked at here, so that commands do not pay for it."""
        operation = (SETTLING if self._settled_at > t else 0) | (MEASURING if self._measured_at > t else 0)
        self.status.operation.update(operation)
        self.status.questionable.update(self.questionable_condition(t))
        if self._complete_at <= t:
            self.status.event_status |= OPERATION_COMPLETE
            self._complete_at = NEVER

    # ------------------------------------------------------------------ common commands and the SCPI minimum

    def _common_commands(self) -> list[Command]:
        byte = (Integer(0, 255, 0),)
        commands = [
            Command("*CLS", act=self._clear_status),
            Command("*ESE", act=self._set_event_enable, takes=byte, ask=lambda _t: str(self.status.event_enable)),
            Command("*ESR", ask=self._ask_event_status),
            Command("*IDN", ask=self._ask_identity, arbitrary=True),
            Command("*OPC", act=self._note_completion, ask=self._ask_completion),
            Command("*OPT", ask=lambda _t: "0", arbitrary=True),
            Command("*RST", act=self._reset),
            Command("*SRE", act=self._set_service_enable, takes=byte, ask=lambda _t: str(self.status.service_enable)),
            Command("*STB", ask=self._ask_status_byte),
            Command("*TRG", act=self.trigger),
            Command("*TST", ask=lambda _t: "0"),
            Command("*WAI", act=lambda _t: self._hold(self._pending_until())),
            Command("ABORt", act=self.abort),
            Command("SYSTem:ERRor[:NEXT]", ask=lambda _t: self.status.errors.next()),
            Command("SYSTem:ERRor:COUNt", ask=lambda _t: str(len(self.status.errors))),
            Command("SYSTem:ERRor:ALL", ask=lambda _t: self.status.errors.all()),
            Command("SYSTem:ERRor:CODE[:NEXT]", ask=lambda _t: self.status.errors.next_code()),
            Command("SYSTem:ERRor:CODE:ALL", ask=lambda _t: self.status.errors.all_codes()),
            Command("SYSTem:VERSion", ask=lambda _t: VERSION),
            Command("SYSTem:PRESet", act=self._reset),
            Command("STATus:PRESet", act=self._preset_status),
        ]
        commands += self._register_commands("STATus:OPERation", self.status.operation)
        commands += self._register_commands("STATus:QUEStionable", self.status.questionable)
        return commands

    def _register_commands(self, path: str, register: ConditionRegister) -> list[Command]:
        word = (Integer(0, 0x7FFF, 0),)

        def ask_event(t: float) -> str:
            self._refresh(t)
            return str(register.take_events())

        def ask_condition(t: float) -> str:
            self._refresh(t)
            return str(register.condition)

        def field(node: str, attribute: str) -> Command:
            return Command(
                f"{path}:{node}",
                act=lambda _t, value: setattr(register, attribute, value),
                takes=word,
                ask=lambda _t: str(getattr(register, attribute)),
            )

        return [
            Command(f"{path}[:EVENt]", ask=ask_event),
            Command(f"{path}:CONDition", ask=ask_condition),
            field("ENABle", "enable"),
            field("PTRansition", "positive"),
            field("NTRansition", "negative"),
        ]

    def _clear_status(self, t: float) -> None:
        self._refresh(t)
        self.status.clear()
        self._complete_at = NEVER

    def _set_event_enable(self, t: float, value: int) -> None:
        self.status.event_enable = value

    def _set_service_enable(self, t: float, value: int) -> None:
        # Bit 6 is the summary itself and cannot be enabled (IEEE 488.2, 11.3.2).
        self.status.service_enable = value & ~0x40

    def _ask_event_status(self, t: float) -> str:
        self._refresh(t)
        return str(self.status.take_event_status())

    def _ask_status_byte(self, t: float) -> str:
        self._refresh(t)
        return str(self.status.byte(message_available=False))

    def _ask_identity(self, t: float) -> str:
        return f"{self._maker},{self.model},{self._serial},{FIRMWARE}"

    def _note_completion(self, t: float) -> None:
        self._complete_at = max(t, self._pending_until())

    def _ask_completion(self, t: float) -> str:
        self._hold(self._pending_until())
        return "1"

    def _reset(self, t: float) -> None:
        self.abort(t)
        self._complete_at = NEVER
        self.reset(t)

    def _preset_status(self, t: float) -> None:
        self.status.operation.preset()
        self.status.questionable.preset()
