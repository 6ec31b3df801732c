"""
What roles and drivers may ask of the wire: one instrument, few verbs, seconds on each call.

The rule behind the verbs: a message that asks makes exactly one answer *due*, and while one is due nothing else may
be sent. So an answer can only ever be that to the last question, and `ask` on several instruments followed by
`answer` on each has them all working at once.
"""

from __future__ import annotations

from typing import Protocol

__all__ = ["Link"]


class Link(Protocol):
    """
    The wire to one instrument.

    Every verb raises LinkError (LinkTimeout, BrokenLinkError) for the wire, ReplyError for an answer that cannot be
    handed on, MisuseError for verbs out of order and ClosedError after `close`. After a LinkError nothing is due any
    more, the connection is dropped, and the next verb reopens it; what the instrument was told before may be lost.
    """

    @property
    def name(self) -> str:
        """The instrument's name in the bench file."""
        ...

    @property
    def address(self) -> str:
        """Its VISA resource name."""
        ...

    @property
    def is_waiting(self) -> bool:
        """Whether an answer is due."""
        ...

    @property
    def is_closed(self) -> bool: ...

    def write(self, message: str) -> None:
        """
        Send a message that makes no answer.

        Raises:
            MisuseError: An answer is due, or the message asks something: its answer would become the next one.
        """
        ...

    def ask(self, message: str) -> None:
        """
        Send a message that makes one answer, and do not wait for it.

        Raises:
            MisuseError: An answer is due, or the message asks nothing.
        """
        ...

    def answer(self, *, timeout_s: float) -> str:
        """
        The answer that is due, without its newline.

        Args:
            timeout_s: Longest wait from this call to the end of the answer. [s]

        Raises:
            MisuseError: None is due.
            LinkTimeout: It was not complete in time. It is dropped, and can never become a later answer.
        """
        ...

    def query(self, message: str, *, timeout_s: float) -> str:
        """`ask` and `answer`."""
        ...

    def answer_block(self, *, timeout_s: float) -> bytes:
        """The answer that is due, which is one block (IEEE 488.2, 8.7.9): its bytes without header and newline."""
        ...

    def query_block(self, message: str, *, timeout_s: float) -> bytes:
        """`ask` and `answer_block`."""
        ...

    def abandon(self) -> None:
        """Drop what is due, if anything, so that it can never become the next answer. Waits for nothing."""
        ...

    def limit_waits(self, timeout_s: float | None) -> None:
        """
        From here on no wait of this link (for a connection, for a message to be taken, for an answer) is longer than this,
        whatever the call allows; None: as the calls say. For who has to go on to the next instrument. [s]
        """
        ...

    def reopen(self) -> None:
        """Drop the connection and make a new one, verified."""
        ...

    def shout(self, message: str) -> None:
        """
        Send a message over a connection of its own on which nobody was asked who they are. For switching off an instrument
        that has stopped answering and may still listen, and for nothing else; that it was sent is no sign that it was heard.

        Raises:
            MisuseError: The message asks something.
            LinkError: It could not even be sent.
        """
        ...

    def close(self) -> None:
        """Let go of the instrument. Closing twice is fine."""
        ...
