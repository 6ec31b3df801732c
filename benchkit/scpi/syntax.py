"""The one error of this room: a text that is not what the standard allows, and where it goes wrong."""

from __future__ import annotations

__all__ = ["ScpiSyntaxError"]

_SHOWN = 80


class ScpiSyntaxError(ValueError):
    """
    A text that is not what the standard allows.

    Attributes:
        text: What was read, whole.
        position: Index of the first character (or byte) that does not fit, from 0.
        expected: What would have been right.
    """

    def __init__(self, text: str | bytes, position: int, expected: str) -> None:
        self.text, self.position, self.expected = text, position, expected
        shown = repr(text) if len(text) <= _SHOWN else f"{text[:_SHOWN]!r}... ({len(text)} in all)"
        super().__init__(f"{shown} at position {position}: expected {expected}")
