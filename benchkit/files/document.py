"""A file that was read: its exact text, its plain data, and the line of every key."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from benchkit.errors import Mistake

__all__ = ["Document", "dotted"]

Step = str | int


def dotted(path: Sequence[Step]) -> str:
    """The path to a value as messages show it: measurements[2].drive.step."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
            continue
        shown = step if re.fullmatch(r"[\w-][\w -]*", step) else repr(step)
        if len(shown) > 48:
            shown = shown[:45] + "..."
        text += f".{shown}" if text else shown
    return text


@dataclass(frozen=True)
class Document:
    """
    Attributes:
        name: As messages show it: the path as it was given.
        text: Exactly as read.
        data: Mappings with text keys, lists, texts, numbers, true or false, None; nothing else.
        lines: Dotted key to its line, from 1; "" is the document itself.
    """

    name: str
    text: str = field(repr=False)
    data: dict[str, Any] = field(repr=False)
    lines: Mapping[str, int] = field(repr=False)

    def line_of(self, key: str) -> int | None:
        """Line of a dotted key, or of the nearest key above it that is there."""
        while key and key not in self.lines:
            key = key[: max(key.rfind("."), key.rfind("["), 0)]
        return self.lines.get(key)

    def mistake(self, key: str, message: str) -> Mistake:
        """A mistake at a dotted key, e.g. "instruments.drain.address"; the key need not be there."""
        return Mistake(self.name, self.line_of(key), key, message)
