"""Where a conversation with an instrument comes in and goes out: framing, replies in order, the message exchange."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from typing import NamedTuple, Protocol

from sim_instruments.scpi import Fault

__all__ = ["Port", "Reply"]

# A peer that never ends its message must not fill memory.
LONGEST_MESSAGE = 1 << 20


class Reply(NamedTuple):
    """One response message, newline included, and when it can be read. [s]"""

    data: bytes
    ready_at: float


class Receiver(Protocol):
    hears: Callable[[bytes, float], bytes | None] | None
    says: Callable[[Reply], Reply | None] | None

    def receive(self, message: bytes, t: float, port: Port) -> None: ...

    def fail(self, fault: Fault, t: float) -> None: ...

    def forget(self, port: Port) -> None: ...


class Port:
    """
    One connection to one instrument.

    Args:
        instrument: Executes what comes in; puts its replies back with `deliver`.
        is_stream: A byte stream (raw socket) has no END and no message exchange: replies queue up whatever the
            controller does. Elsewhere IEEE 488.2, 6.3 holds: a new message before the reply was read is INTERRUPTED,
            and reading when nothing was asked is UNTERMINATED.
        on_reply: Called when a reply is there; for a transport that does not poll.
    """

    def __init__(self, instrument: Receiver, *, is_stream: bool, on_reply: Callable[[], None] | None = None) -> None:
        self.replies: deque[Reply] = deque()
        self._instrument = instrument
        self._is_stream = is_stream
        self._on_reply = on_reply
        self._buffer = b""
        self.blocked_until = -math.inf
        """Until when *WAI keeps later messages of this port from being executed. [s]"""
        self._waiting: set[int] = set()
        self._will_answer: set[int] = set()
        self._overtaking: list[tuple[int, Reply]] = []

    @property
    def has_reply(self) -> bool:
        """Whether something can be read, now or later."""
        return bool(self.replies) or bool(self._will_answer) or bool(self._overtaking)

    def write(self, data: bytes, t: float, *, end: bool = False) -> None:
        """
        Bytes from the controller.

        Args:
            data: Any number of messages, whole or in part.
            t: Now. [s]
            end: END came with the last byte: what is there is a message even without a newline.
        """
        if not self._buffer and data.find(b"\n") == len(data) - 1 and b"#" not in data:
            self._execute(data[:-1], t)
            return
        self._buffer += data
        while (length := _length_of_first(self._buffer)) is not None:
            message, self._buffer = self._buffer[: length - 1], self._buffer[length:]
            self._execute(message, t)
        if end and self._buffer:
            message, self._buffer = self._buffer, b""
            self._execute(message, t)
        if len(self._buffer) > LONGEST_MESSAGE:
            self._buffer = b""
            self._instrument.fail(Fault(-363), t)

    def deliver(self, reply: Reply, message_number: int) -> None:
        """
        A response message from the instrument.

        Answers leave in the order of the questions: one that is ready while an earlier message still waits stands in
        line behind it.
        """
        if self._instrument.says is not None:
            changed = self._instrument.says(reply)
            if changed is None:
                return
            reply = changed
        if self._waiting and min(self._waiting) < message_number:
            self._overtaking.append((message_number, reply))
            return
        self.replies.append(reply)
        if self._on_reply is not None:
            self._on_reply()

    def begin_waiting(self, message_number: int, will_answer: bool) -> None:
        """A message of this port has to wait before it can go on."""
        self._waiting.add(message_number)
        if will_answer:
            self._will_answer.add(message_number)

    def end_waiting(self, message_number: int) -> None:
        """It goes on; `release` follows when it is done or waits again."""
        self._waiting.discard(message_number)
        self._will_answer.discard(message_number)

    def release(self) -> None:
        """Let out what stood in line behind a message that has gone on."""
        if not self._overtaking:
            return
        first = min(self._waiting, default=None)
        ready = [item for item in self._overtaking if first is None or item[0] < first]
        self._overtaking = [item for item in self._overtaking if item not in ready]
        self.replies.extend(reply for _, reply in sorted(ready, key=lambda item: item[0]))
        if ready and self._on_reply is not None:
            self._on_reply()

    def read_nothing(self, t: float) -> None:
        """The controller reads, and there is nothing to say."""
        if not self._is_stream:
            self._instrument.fail(Fault(-420), t)

    def clear(self) -> None:
        """Device clear: input and output are dropped."""
        self._buffer = b""
        self.replies.clear()
        self._instrument.forget(self)
        self._waiting.clear()
        self._will_answer.clear()
        self.blocked_until = -math.inf
        self._overtaking.clear()

    def _execute(self, message: bytes, t: float) -> None:
        if message.endswith(b"\r"):
            message = message[:-1]
        if self._instrument.hears is not None:
            heard = self._instrument.hears(message, t)
            if heard is None:
                return
            message = heard
        if not self._is_stream and self.has_reply:
            self.clear()
            self._instrument.fail(Fault(-410), t)
        self._instrument.receive(message, t, self)


def _length_of_first(data: bytes) -> int | None:
    """Length of the first message with its newline; None when it is not complete. A block may contain newlines."""
    position = 0
    while True:
        newline = data.find(b"\n", position)
        hash_sign = data.find(b"#", position, newline if newline >= 0 else len(data))
        if hash_sign < 0:
            return newline + 1 if newline >= 0 else None
        head = data[hash_sign + 1 : hash_sign + 2]
        if head and head in b"123456789":
            digits = int(head)
            count = data[hash_sign + 2 : hash_sign + 2 + digits]
            if count.isdigit() and len(count) == digits:
                position = hash_sign + 2 + digits + int(count)
                if position > len(data):
                    return None
                continue
            if len(count) < digits and newline < 0:
                return None
        position = hash_sign + 1
