"""
How an instrument carries out messages in time.

Time is handed in with every call and never read. A message that has to wait (FETCh? of a reading still under way,
`*OPC?`) waits by itself: messages that arrive meanwhile are executed when they arrive. `*WAI` is stronger (IEEE 488.2,
10.39): what its own connection sends later waits too; other connections go on. The rest of a waiting message is executed
by `wake`, which whoever moves the time calls before anything else happens at a later time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from sim_instruments.instruments.port import Port, Reply
from sim_instruments.scpi import Command, Compiler, Fault, HeaderTree, Status, Step

__all__ = ["Executor"]

NEVER = math.inf


class _Waiting:
    """A message that goes on at `due`."""

    __slots__ = ("due", "number", "parts", "port", "position", "steps")

    def __init__(self, due: float, steps: Sequence[Step], position: int, parts: list[str], port: Port, number: int) -> None:
        self.due, self.steps, self.position, self.parts, self.port = due, steps, position, parts, port
        self.number = number

    @property
    def will_answer(self) -> bool:
        return bool(self.parts) or any(step.asks for step in self.steps[self.position :])


class Executor:
    """
    Messages in, replies out, each at its time.

    Args:
        name: The instrument's name in the bench file.
        status: Where errors are reported.
        commands: All headers it knows.
        t: Now. [s]
    """

    def __init__(self, name: str, status: Status, commands: Sequence[Command], t: float) -> None:
        self.name = name
        self.status = status
        self.wakes_at = NEVER
        """When its next waiting message goes on. [s]"""
        self.on_wait: Callable[[Executor], None] | None = None
        """Called when a message has begun to wait."""
        self.is_reachable = True
        """For faults: whether it can be talked to at all."""
        self.cuts = 0
        """For faults: how often all its connections were cut; one made before the last cut is gone."""
        self.hears: Callable[[bytes, float], bytes | None] | None = None
        """For faults: what becomes of a message on its way in; None: it never arrives."""
        self.says: Callable[[Reply], Reply | None] | None = None
        """For faults: what becomes of a reply on its way out; None: it is lost."""
        self._hold_until = t
        self._present_port: Port | None = None
        self._message_number = 0
        self._messages = 0
        self._waiting: list[_Waiting] = []
        self._compiler = Compiler(HeaderTree(commands))

    def open_port(self, *, is_stream: bool = True, on_reply: Callable[[], None] | None = None) -> Port:
        """A connection of its own; several at once are allowed."""
        return Port(self, is_stream=is_stream, on_reply=on_reply)

    def receive(self, message: bytes, t: float, port: Port) -> None:
        """Execute one program message, terminator taken off; its reply, if it has one, goes to `port`."""
        steps = self._compiler.compile(message)
        self._messages = self._message_number = self._messages + 1
        self._present_port = port
        if port.blocked_until > t:
            self._wait(_Waiting(port.blocked_until, steps, 0, [], port, self._message_number))
            return
        if len(steps) == 1:
            # The common case by itself: no list of parts, nothing left that could have to wait.
            function, values, _ = steps[0]
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
                # The first of equals: in the order in which they came.
                waiting = min(self._waiting, key=lambda message: message.due)
            port = waiting.port
            if waiting.position == 0 and port.blocked_until > waiting.due:
                # A message before it has come to another *WAI.
                waiting.due = port.blocked_until
                self._note_wake_time()
                continue
            self._waiting.remove(waiting)
            self._note_wake_time()
            port.end_waiting(waiting.number)
            self._message_number, self._present_port = waiting.number, port
            self._run(waiting.steps, waiting.position, waiting.parts, waiting.due, port)
            port.release()

    def fail(self, fault: Fault, t: float) -> None:
        """Something went wrong outside a command, e.g. in the message exchange."""
        self.status.report(fault.number, fault.detail)

    def forget(self, port: Port) -> None:
        """What waits for this port is not executed any more."""
        self._waiting = [waiting for waiting in self._waiting if waiting.port is not port]
        self._note_wake_time()

    def _hold(self, until: float) -> None:
        """The present message cannot go on, and its reply cannot be read, before `until`."""
        if until > self._hold_until:
            self._hold_until = until

    def _hold_all(self, until: float) -> None:
        """*WAI: nor can what the same connection sends later."""
        self._hold(until)
        if self._present_port is not None:
            self._present_port.blocked_until = max(until, self._present_port.blocked_until)

    def _run(self, steps: Sequence[Step], position: int, parts: list[str], t: float, port: Port) -> None:
        last = len(steps) - 1
        self._hold_until = t
        while position <= last:
            function, values, _ = steps[position]
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
        message.port.begin_waiting(message.number, message.will_answer)
        if message.due < self.wakes_at:
            self.wakes_at = message.due
        if self.on_wait is not None:
            self.on_wait(self)

    def _note_wake_time(self) -> None:
        waiting = self._waiting
        self.wakes_at = min([message.due for message in waiting]) if waiting else NEVER
