"""Plain data from a parser's events, with the line of every key, within bounds."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from benchkit.errors import Mistake
from benchkit.files.document import Step, dotted
from benchkit.files.scalars import Scalar, plain_scalar, why_no_text

__all__ = ["Builder"]

_MOST_NODES = 50_000
_MOST_MISTAKES = 100


@dataclass
class _Level:
    """One open mapping or list. `key` is the key or index whose value is due or being read; None: a key is due."""

    node: dict[str, Any] | list[Any]
    key: Step | None = None
    is_complex_key: bool = False
    keys: dict[str, int] = field(default_factory=dict)


class Builder:
    """
    Collects one document.

    Attributes:
        root: What was built.
        lines: Dotted key to line.
        mistakes: What was refused, in the order of the file.
        line: Where the reading stands.
        is_hopeless: Too deep, too large or too wrong: reading on would help nobody.
    """

    def __init__(self, name: str, deepest: int) -> None:
        self.root: Any = None
        self.lines: dict[str, int] = {"": 1}
        self.mistakes: list[Mistake] = []
        self.line = 1
        self.is_hopeless = False
        self._name, self._deepest = name, deepest
        self._levels: list[_Level] = []
        self._nodes = 0
        self._documents = 0

    @property
    def here(self) -> str:
        """Dotted key of where the document stands."""
        return dotted(self._path())

    def add(self, line: int | None, key: str, message: str) -> None:
        """Note a mistake."""
        self.mistakes.append(Mistake(self._name, line, key, message))
        if len(self.mistakes) >= _MOST_MISTAKES:
            self.mistakes.append(Mistake(self._name, line, "", "and more; the rest was not read"))
            self.is_hopeless = True

    def start_document(self, line: int, version: tuple[int, int] | None) -> None:
        self._documents += 1
        if self._documents > 1:
            self.add(line, "", "a second document starts here (`---`); expected one in a file")
            self.is_hopeless = True
        if version is not None and tuple(version) != (1, 2):
            self.add(line, "", f"%YAML {version[0]}.{version[1]} is not allowed; files are read as YAML 1.2")

    def open(self, line: int, node: dict[str, Any] | list[Any]) -> None:
        """A mapping or a list starts."""
        self._count(line)
        if len(self._levels) >= self._deepest:
            self.add(line, "", f"more than {self._deepest} levels deep")
            self.is_hopeless = True
            return
        level = _Level(node)
        if self._is_key_due:
            self.add(line, self.here, "a key is a text or a whole number, not a mapping or a list")
            level.is_complex_key = True
        else:
            self.enter(line)
            self._place(line, node)
        self._levels.append(level)

    def close(self) -> None:
        """The innermost mapping or list ends."""
        level = self._levels.pop()
        if level.is_complex_key:
            self._levels[-1].key = "?"
        elif self._levels:
            self._levels[-1].key = None

    def scalar(self, line: int, text: str, *, is_plain: bool) -> None:
        """A key or a value."""
        self._count(line)
        is_key = self._is_key_due
        self.enter(line)
        value: Scalar = text
        try:
            value = plain_scalar(text) if is_plain else text
        except ValueError as error:
            self.add(line, self.here, str(error))
        if isinstance(value, str) and (reason := why_no_text(value)) is not None:
            self.add(line, self.here, reason)
            value = "?"
        if is_key:
            self._key(line, self._levels[-1], value)
            return
        self._place(line, value)
        if self._levels:
            self._levels[-1].key = None

    def _key(self, line: int, level: _Level, value: Scalar) -> None:
        if isinstance(value, (bool, float)) or value is None:
            shown = "null" if value is None else str(value).lower()
            self.add(line, self.here, f"the key {shown} is not a text; write it in quotes")
        key = str(value)
        if key in level.keys:
            self.add(line, dotted([*self._path(), key]), f"the key is there twice, first in line {level.keys[key]}")
        level.keys.setdefault(key, line)
        level.key = key
        self.lines.setdefault(self.here, line)

    def _place(self, line: int, value: Any) -> None:
        if not self._levels:
            self.root = value
            return
        level = self._levels[-1]
        if isinstance(level.node, dict):
            level.node.setdefault(str(level.key), value)
        else:
            level.node.append(value)

    def enter(self, line: int) -> None:
        """A value begins; in a list, that is the next item."""
        if self._levels and isinstance(level := self._levels[-1].node, list):
            self._levels[-1].key = len(level)
            self.lines.setdefault(self.here, line)

    @property
    def _is_key_due(self) -> bool:
        return bool(self._levels) and isinstance(self._levels[-1].node, dict) and self._levels[-1].key is None

    def _path(self) -> list[Step]:
        return [level.key for level in self._levels if level.key is not None]

    def _count(self, line: int) -> None:
        self._nodes += 1
        self.line = line
        if self._nodes > _MOST_NODES:
            self.add(line, "", f"more than {_MOST_NODES} values; is this the right file?")
            self.is_hopeless = True
