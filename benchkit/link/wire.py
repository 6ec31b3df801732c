"""
Moving bytes: what the two kinds of wire have in common. A wire knows messages and blocks, not what they mean.

Wires raise what they like (TimeoutError, OSError, VisaIOError, ScpiSyntaxError); the link translates. After any error,
and after an interrupt, a wire is in an unknown state and may only be closed.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

from benchkit.scpi import ScpiSyntaxError, block_digits, block_length

__all__ = ["LONGEST_ANSWER", "Wire", "read_definite_block"]

LONGEST_ANSWER = 256 * 1024 * 1024
"""Bytes; what is longer is not an answer. Keeps a chattering peer from filling the memory within the time allowed."""


class Wire(Protocol):
    """An open connection to one instrument."""

    def send(self, data: bytes, timeout_s: float) -> None:
        """Send all of `data`, or raise TimeoutError: a peer that does not read must not block us for ever."""
        ...

    def read_message(self, timeout_s: float) -> bytes:
        """One whole answer with its newline. TimeoutError when its end has not come within `timeout_s` of the call."""
        ...

    def read_block(self, timeout_s: float) -> bytes:
        """One whole answer that is a block: its data."""
        ...

    def leftover(self) -> bytes:
        """What came behind the last answer, as far as already read."""
        ...

    def unasked(self) -> bytes:
        """What has come although nothing is due. Waits for nothing; raises ConnectionError when the peer has closed."""
        ...

    def drop(self) -> None:
        """Make sure that nothing more is read from this connection, without waiting for anything."""
        ...

    def close(self) -> None:
        """Let go of it. May wait for a peer that answers goodbyes."""
        ...


def read_definite_block(take: Callable[[int], bytes]) -> bytes:
    """
    Read one block of definite length and the newline behind it from a stream of bytes.

    Args:
        take: Returns exactly as many bytes as asked for.

    Raises:
        ScpiSyntaxError: Not such a block. "#0" neither: its end is marked by END, which a stream does not have.
    """
    head = take(2)
    digits = block_digits(head)
    if digits == 0:
        raise ScpiSyntaxError(head, 1, "a block that states its length; on this connection the end cannot be seen")
    size = block_length(take(digits))
    if size > LONGEST_ANSWER:
        raise ScpiSyntaxError(head, 2, f"at most {LONGEST_ANSWER} bytes, not {size}")
    data = take(size)
    end = take(1)
    if end == b"\r":
        end = take(1)
    if end != b"\n":
        raise ScpiSyntaxError(end, 0, f"a newline behind the {size} bytes of the block")
    return data
