"""
Several units in one message.

SCPI-1999 Vol 1, 6.2.4: a unit behind ";" continues the path of the one before it, unless it begins with ":" or "*".
So a unit that is right alone is wrong in company: `MEAS:VOLT?;SYST:ERR?` asks for MEAS:SYST:ERR?, error -113; or worse,
another command. `join` puts the colon.
"""

from __future__ import annotations

import re

from benchkit.scpi.syntax import ScpiSyntaxError

__all__ = ["has_query", "join", "split_compound"]

_QUOTED = re.compile(r"\"[^\"]*\"|'[^']*'")


def join(*units: str) -> str:
    """
    Join message units so that each stands at the root of the tree.

    The first is left as it is (a message begins at the root); the others get a leading colon unless they have one or
    are common commands (`*OPC?`). A unit may itself be a joined message.

    Raises:
        ValueError: No unit, an empty one, or one with a newline, which would end the message.
    """
    if not units:
        raise ValueError("there is nothing to join")
    joined: list[str] = []
    for unit in units:
        text = unit.strip()
        if not text or "\n" in text:
            raise ValueError(f"{unit!r} is not a message unit")
        joined.append(text if not joined or text[0] in ":*" else ":" + text)
    return ";".join(joined)


def split_compound(message: str) -> list[str]:
    """
    Split a message, or a compound reply, at its semicolons; those inside quoted strings do not count.

    Raises:
        ScpiSyntaxError: A string is not closed.
    """
    parts = []
    start = 0
    quote = ""
    opened = 0
    for position, character in enumerate(message):
        if quote:
            # A doubled quote closes and opens again at once, which comes to the same here.
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote, opened = character, position
        elif character == ";":
            parts.append(message[start:position].strip())
            start = position + 1
    if quote:
        raise ScpiSyntaxError(message, opened, f"a closing {quote}")
    parts.append(message[start:].strip())
    return parts


def has_query(message: str) -> bool:
    """Whether the instrument will answer: there is a question mark outside of quoted strings."""
    if "?" not in message:
        return False
    return ('"' not in message and "'" not in message) or "?" in _QUOTED.sub("", message)
