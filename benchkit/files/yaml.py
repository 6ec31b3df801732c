"""
YAML 1.2 to a Document, safely: what a person writes by hand, and none of what makes YAML dangerous.

The parser's events are turned into plain data here, one by one, so that limits hold while reading: no tags (they build
objects), no anchors and aliases (they can unfold a page into terabytes), no key twice, bounded size and depth.
Every mistake of this sort is told at once; only text that is not YAML at all ends the reading where it stands.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    NodeEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)
from ruamel.yaml.reader import ReaderError

from benchkit.errors import FileError, Mistake
from benchkit.files.builder import Builder
from benchkit.files.document import Document

__all__ = ["DEEPEST", "LARGEST_FILE", "load_yaml", "load_yaml_text", "read_bytes"]

LARGEST_FILE = 1_000_000  # bytes; a long sequence is some ten thousand, and a full file is read within seconds
DEEPEST = 40


def load_yaml(path: Path, name: str | None = None) -> Document:
    """
    Read one YAML file.

    Args:
        path: The file.
        name: As messages show it; default: the path as given.

    Raises:
        FileError: It cannot be read, is not UTF-8, not YAML, or uses what is refused here.
    """
    name = name or str(path)
    return load_yaml_text(_decoded(read_bytes(path, name), name), name)


def load_yaml_text(text: str, name: str) -> Document:
    """
    The same from a text, e.g. one stored in a record; no file is touched.

    Raises:
        FileError: As load_yaml.
    """
    if len(text) > LARGEST_FILE:
        raise FileError([Mistake(name, None, "", f"more than {LARGEST_FILE} characters long; is this the right file?")])
    builder = Builder(name, DEEPEST)
    try:
        for event in _events(text.removeprefix("\ufeff")):
            _take(event, builder)
            if builder.is_hopeless:
                break
    except _NotYaml as error:
        builder.add(error.line or builder.line, "", error.message)
    if builder.mistakes:
        raise FileError(builder.mistakes)
    root = builder.root
    if not isinstance(root, dict):
        what = "is empty" if root is None else "is a list" if isinstance(root, list) else "is a single value"
        raise FileError([Mistake(name, 1, "", f"{what}; expected a mapping, that is lines such as `key: value`")])
    return Document(name, text, root, builder.lines)


def read_bytes(path: Path, name: str, largest: int = LARGEST_FILE) -> bytes:
    """
    All bytes of an ordinary file of at most `largest` bytes.

    Raises:
        FileError: It is not there, not an ordinary file, may not be read, or is larger.
    """
    try:
        if not path.exists():
            raise FileError([Mistake(name, None, "", "there is no such file")])
        if not path.is_file():
            raise FileError([Mistake(name, None, "", "is not an ordinary file")])
        with path.open("rb") as file:
            content = file.read(largest + 1)
    except (OSError, ValueError) as error:  # ValueError: a NUL in the name
        raise FileError([Mistake(name, None, "", f"cannot be read: {error}")]) from error
    if len(content) > largest:
        raise FileError([Mistake(name, None, "", f"larger than {largest} bytes; is this the right file?")])
    return content


def _decoded(content: bytes, name: str) -> str:
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        message = f"byte {error.start} (0x{content[error.start]:02x}) is not UTF-8; save the file as UTF-8 text"
        raise FileError([Mistake(name, line, "", message)]) from error


class _NotYaml(Exception):
    def __init__(self, line: int | None, message: str) -> None:
        self.line, self.message = line, message
        super().__init__(message)


def _events(text: str) -> Iterator[Event]:
    # Pure Python on every computer: the same messages, and a parser that cannot crash the process.
    try:
        yield from YAML(typ="safe", pure=True).parse(text)
    except MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        what = ", ".join(part for part in (error.context, error.problem) if part) or "cannot be read"
        hint = "look at the indentation, the colons and the quotes here and in the line above"
        raise _NotYaml(None if mark is None else mark.line + 1, f"is not YAML: {what}; {hint}") from error
    except ReaderError as error:
        position = error.position if isinstance(error.position, int) else 0
        message = f"has the character {error.character!r} in it, which YAML does not allow"
        raise _NotYaml(text.count("\n", 0, position) + 1, message) from error
    except Exception as error:
        raise _NotYaml(None, f"is not YAML: {type(error).__name__}: {error}") from error


def _take(event: Any, builder: Builder) -> None:
    line = event.start_mark.line + 1
    if isinstance(event, DocumentStartEvent):
        builder.start_document(line, event.version)
        return
    if isinstance(event, NodeEvent):
        builder.enter(line)
        _refuse(event, line, builder)
    if isinstance(event, ScalarEvent):
        builder.scalar(line, event.value, is_plain=event.style in (None, ""))
    elif isinstance(event, AliasEvent):
        builder.scalar(line, "", is_plain=True)
    elif isinstance(event, (MappingStartEvent, SequenceStartEvent)):
        builder.open(line, {} if isinstance(event, MappingStartEvent) else [])
    elif isinstance(event, (MappingEndEvent, SequenceEndEvent)):
        builder.close()


def _refuse(event: Any, line: int, builder: Builder) -> None:
    if isinstance(event, AliasEvent):
        builder.add(line, builder.here, f"the alias *{event.anchor} is not allowed; write the value itself")
        return
    if event.anchor is not None:
        builder.add(line, builder.here, f"the anchor &{event.anchor} is not allowed; write each value itself")
    if getattr(event, "tag", None) is not None:
        builder.add(line, builder.here, f"the tag {event.tag} is not allowed; values are plain texts and numbers")
