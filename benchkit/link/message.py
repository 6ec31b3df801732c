"""What may be sent by which verb: for every link alike, so that a scripted one lets nothing pass that a real one stops."""

from __future__ import annotations

from benchkit.errors import MisuseError
from benchkit.scpi import has_query

__all__ = ["check_question", "check_statement"]


def check_statement(name: str, message: str) -> None:
    """
    Check a message that is written.

    Raises:
        MisuseError: It asks something, or is not one line of ASCII.
    """
    if has_query(message):
        raise MisuseError(f"{name}: {message!r} asks something; its answer would be the next one's. Use ask")
    if not message.isascii() or "\n" in message:
        raise _no_line(name, message)


def check_question(name: str, message: str) -> None:
    """
    Check a message that is asked.

    Raises:
        MisuseError: It asks nothing, or is not one line of ASCII.
    """
    if not has_query(message):
        raise MisuseError(f"{name}: {message!r} asks nothing, so no answer will come. Use write")
    if not message.isascii() or "\n" in message:
        raise _no_line(name, message)


def _no_line(name: str, message: str) -> MisuseError:
    # A newline makes two messages of it; what is not ASCII reaches each instrument as something else.
    return MisuseError(f"{name}: {message!r} is not one line of ASCII")
