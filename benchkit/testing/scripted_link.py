"""A link whose answers stand in a script: drivers are tested with it, ours and yours. It keeps a link's rules."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from benchkit.errors import ClosedError, LinkTimeout, MisuseError, ReplyError
from benchkit.link.message import check_question, check_statement
from benchkit.scpi import ScpiSyntaxError, parse_block

__all__ = ["Reply", "ScriptedLink"]

OneReply = str | bytes | BaseException | Callable[[str], str | bytes]
Reply = OneReply | list[OneReply]
"""
Text; bytes for a whole block message; an error to raise; a function of the message; or a list of these, used in turn.
"""


class ScriptedLink:
    """
    A link that answers from a script.

    A question is looked up whole, as it is sent. A list is used up one by one. A question that is not in the script, or
    whose list is used up, is met with silence as on a bench: LinkTimeout, saying what was not scripted. An error in the
    script is raised when the answer is read; one that stands for a message that asks nothing, when it is sent.

    Args:
        replies: Message to reply.

    Attributes:
        sent: Every message in order, writes and questions.
        replies: The script; may be changed at any time.
        abandoned: Questions whose answers were dropped.
        shouted: Messages sent to whoever listens.
        reopenings: How often the connection was made anew.
        longest_wait_s: As told by `limit_waits`; None: as the calls say.
    """

    def __init__(
        self, replies: Mapping[str, Reply] | None = None, *, name: str = "instrument", address: str = "scripted"
    ) -> None:
        self.name = name
        self.address = address
        self.sent: list[str] = []
        self.abandoned: list[str] = []
        self.shouted: list[str] = []
        self.reopenings = 0
        self.longest_wait_s: float | None = None
        self.is_closed = False
        self.replies: dict[str, Reply] = {
            key: list(reply) if isinstance(reply, list) else reply for key, reply in (replies or {}).items()
        }
        self._due: str | None = None

    @property
    def is_waiting(self) -> bool:
        return self._due is not None

    def write(self, message: str) -> None:
        check_statement(self.name, message)
        self._check_may_send(message)
        self.sent.append(message)
        if message in self.replies:
            reply = self._next_reply(message)
            if isinstance(reply, BaseException):
                raise reply

    def ask(self, message: str) -> None:
        check_question(self.name, message)
        self._check_may_send(message)
        self.sent.append(message)
        self._due = message

    def answer(self, *, timeout_s: float) -> str:
        reply = self._take_reply(timeout_s)
        return reply if isinstance(reply, str) else reply.decode("ascii").removesuffix("\n")

    def query(self, message: str, *, timeout_s: float) -> str:
        self.ask(message)
        return self.answer(timeout_s=timeout_s)

    def answer_block(self, *, timeout_s: float) -> bytes:
        reply = self._take_reply(timeout_s)
        try:
            return parse_block(reply if isinstance(reply, bytes) else reply.encode("ascii"))
        except ScpiSyntaxError as error:
            raise ReplyError(self.name, str(error)) from error

    def query_block(self, message: str, *, timeout_s: float) -> bytes:
        self.ask(message)
        return self.answer_block(timeout_s=timeout_s)

    def abandon(self) -> None:
        self._check_open()
        if self._due is not None:
            self.abandoned.append(self._due)
            self._due = None

    def limit_waits(self, timeout_s: float | None) -> None:
        self.longest_wait_s = timeout_s

    def reopen(self) -> None:
        self.abandon()
        self.reopenings += 1

    def shout(self, message: str) -> None:
        check_statement(self.name, message)
        self._check_open()
        self._due = None
        self.shouted.append(message)

    def close(self) -> None:
        self._due = None
        self.is_closed = True

    def _check_open(self) -> None:
        if self.is_closed:
            raise ClosedError(f"{self.name}: the link is closed")

    def _check_may_send(self, message: str) -> None:
        self._check_open()
        if self._due is not None:
            raise MisuseError(f"{self.name}: {message!r} while the answer to {self._due!r} is due")

    def _take_reply(self, timeout_s: float) -> str | bytes:
        self._check_open()
        if self._due is None:
            raise MisuseError(f"{self.name}: no answer is due")
        message, self._due = self._due, None
        reply = self._next_reply(message)
        if reply is None:
            raise LinkTimeout(self.name, f"no answer to {message!r} within {timeout_s:g} s: none is left in the script")
        if isinstance(reply, BaseException):
            raise reply
        return reply(message) if callable(reply) else reply

    def _next_reply(self, message: str) -> OneReply | None:
        reply = self.replies.get(message)
        if isinstance(reply, list):
            return reply.pop(0) if reply else None
        return reply
