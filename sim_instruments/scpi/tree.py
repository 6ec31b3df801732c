"""
The tree of headers a device knows (SCPI volume 1, 6.2).

A pattern is written as a manual prints it: `[:SOURce]:FREQuency[:CW|:FIXed]`, capitals marking the short form, brackets
a node that may be left out, `|` alternatives, `MARKer<1:4>` a numeric suffix with its range (left out it is 1).
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from sim_instruments.scpi.faults import Fault
from sim_instruments.scpi.parameters import Many, Maybe, Parameter

__all__ = ["Command", "HeaderTree", "Node"]

Handler = Callable[..., str | None]


@dataclass(frozen=True)
class Command:
    """
    One header: what it does as a command, and what it answers as a query.

    Both are called with the time [s], the numeric suffixes, and the parameters' values.
    """

    pattern: str
    act: Handler | None = None
    takes: Sequence[Parameter | Maybe | Many] = ()
    ask: Handler | None = None
    ask_takes: Sequence[Parameter | Maybe | Many] = ()
    # *IDN? and *OPT? answer arbitrary text, so that nothing can follow them in one message (IEEE 488.2, 10.14.3).
    arbitrary: bool = False


@dataclass
class Node:
    """One node; `children` holds every spelling, short and long, in capitals."""

    children: dict[str, Node] = field(default_factory=dict)
    suffixes: tuple[int, int] | None = None
    command: Command | None = None


_SEGMENT = re.compile(r"\[([^\]]+)\]|(:?[A-Za-z*](?:<[^>]*>|[^:\[<])*)")
_MNEMONIC = re.compile(r"([A-Z*]+)([a-z]*)(?:<(\d+):(\d+)>)?")
LONGEST_MNEMONIC = 12


class HeaderTree:
    """All headers of one device; a pattern that clashes with another is a mistake of ours and raises ValueError."""

    def __init__(self, commands: Sequence[Command]) -> None:
        self.root = Node()
        self._common: dict[str, Command] = {}
        for command in commands:
            if command.pattern.startswith("*"):
                self._common[command.pattern.upper()] = command
            else:
                self._insert(command)

    def common(self, name: str) -> Command:
        """A common command, `*` included. Raises Fault -113."""
        try:
            return self._common[name.upper()]
        except KeyError:
            raise Fault(-113, name) from None

    def find(self, header: str, base: Node) -> tuple[Command, tuple[int, ...], Node]:
        """
        Resolve a header without `?`.

        Args:
            header: As sent; a leading colon starts at the root.
            base: Where a header without one starts: the path rule.

        Returns:
            The command, its numeric suffixes, and the node that the next unit's header starts from.

        Raises:
            Fault: -113 undefined, -112 mnemonic too long, -114 suffix out of range, -111 a character that cannot be.
        """
        node = base
        text = header
        if header.startswith(":"):
            node, text = self.root, header[1:]
        parent = node
        suffixes: list[int] = []
        for mnemonic in text.upper().split(":"):
            parent = node
            child = node.children.get(mnemonic)
            digits = ""
            if child is None:
                stem = mnemonic.rstrip("0123456789")
                digits = mnemonic[len(stem) :]
                child = node.children.get(stem) if digits else None
                if child is None or child.suffixes is None:
                    raise _unknown(mnemonic, header)
            if child.suffixes is not None:
                first, last = child.suffixes
                number = int(digits[:9]) if digits else 1
                if not first <= number <= last:
                    raise Fault(-114, header)
                suffixes.append(number)
            node = child
        if node.command is None:
            raise Fault(-113, header)
        return node.command, tuple(suffixes), parent

    def _insert(self, command: Command) -> None:
        choices: list[list[str]] = []
        matched = 0
        for match in _SEGMENT.finditer(command.pattern):
            matched += len(match[0])
            optional, plain = match.groups()
            names = [name.strip(":") for name in (optional or plain).split("|")]
            choices.append([*names, ""] if optional else names)
        if matched != len(command.pattern):
            raise ValueError(f"not a header pattern: {command.pattern}")
        for spelling in itertools.product(*choices):
            node = self.root
            for name in spelling:
                if name:
                    node = _child(node, name, command.pattern)
            if node.command is not None:
                raise ValueError(f"two commands share a header: {command.pattern} and {node.command.pattern}")
            node.command = command


def _child(node: Node, name: str, pattern: str) -> Node:
    match = _MNEMONIC.fullmatch(name)
    if match is None:
        raise ValueError(f"not a mnemonic: {name!r} in {pattern}")
    short, rest, first, last = match.groups()
    suffixes = (int(first), int(last)) if first else None
    long = short + rest.upper()
    known = node.children.get(long)
    if known is None:
        known = Node(suffixes=suffixes)
        for spelling in {short, long}:
            if spelling in node.children:
                raise ValueError(f"{spelling} already stands for another mnemonic: {pattern}")
            node.children[spelling] = known
    elif known.suffixes != suffixes or node.children.get(short) is not known:
        raise ValueError(f"{name} is spelled otherwise in another pattern: {pattern}")
    return known


def _unknown(mnemonic: str, header: str) -> Fault:
    if not mnemonic or not all(character.isalnum() or character == "_" for character in mnemonic):
        return Fault(-111, header[:40])
    return Fault(-112 if len(mnemonic) > LONGEST_MNEMONIC else -113, header[:40])
