"""Who is there? Asked on every new connection, before anything else is said."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from benchkit.clock import Clock
from benchkit.link.foreign import is_timeout
from benchkit.link.wire import Wire
from benchkit.scpi import Identity, ScpiSyntaxError, parse_identity, parse_integer

__all__ = ["who_answers"]

T = TypeVar("T")

_IDENTITY = "*IDN?"
_STATUS_BYTE = "*STB?"


def who_answers(wire: Wire, dropped: str, timeout_s: float, clock: Clock) -> Identity:
    """
    Ask for the identity and read on until it comes.

    What comes before is an old answer (a greeting, the reading that was abandoned) and is thrown away. It cannot be
    taken for an identity unless it is one, that is if `dropped` asked for it; then the status byte is asked for
    first, which an identity cannot be taken for.

    Args:
        wire: Just opened.
        dropped: The question whose answer may still come; empty without.
        timeout_s: For all of it. [s]
        clock: The one that goes on while the wire waits.

    Raises:
        TimeoutError: No such answer; says what came instead.
    """
    deadline_s = clock.monotonic() + timeout_s
    if _IDENTITY in dropped.upper():
        _ask_until(wire, _STATUS_BYTE, parse_integer, deadline_s, clock)
    identity = _ask_until(wire, _IDENTITY, parse_identity, deadline_s, clock)
    if wire.leftover():
        raise ScpiSyntaxError(wire.leftover(), 0, f"nothing more behind the answer to {_IDENTITY}")
    return identity


def _ask_until(wire: Wire, question: str, parse: Callable[[str], T], deadline_s: float, clock: Clock) -> T:
    wire.send(question.encode("ascii") + b"\n", max(deadline_s - clock.monotonic(), 0.0))
    instead: list[bytes] = []
    while True:
        left_s = deadline_s - clock.monotonic()
        try:
            if left_s <= 0:
                raise TimeoutError("the time for it is up")
            data = wire.read_message(left_s)
        except Exception as error:
            if not is_timeout(error):
                raise
            came = f"; instead came {instead[-1][:80]!r}" if instead else ""
            raise TimeoutError(f"{question} is not answered: {error}{came}") from error
        try:
            return parse(data.decode("ascii"))
        except ValueError:  # not ASCII, or not of this form: the answer to another question
            instead.append(data)
