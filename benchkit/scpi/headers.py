"""
Command headers as manuals print them: `[:SOURce]:FREQuency[:CW|:FIXed]`, `CALCulate:MARKer<n>:Y?`, `*IDN?`.

SCPI-1999 Vol 1, 6.2.1: a mnemonic has a long and a short form; either is accepted in any case, nothing in between. The
short form is the printed capitals; it is taken from them and never computed, for makers break the rule that would
compute it (`TCouple` is TC). Nodes in brackets may be left out, alternatives are divided by "|", and a numeric suffix
that is left out is 1.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

from benchkit.scpi.syntax import ScpiSyntaxError

__all__ = ["Header", "short_form"]

_NAME = r"[A-Za-z][A-Za-z0-9_]*(?:<[A-Za-z]+>)?"
_NODE = re.compile(rf"\[:?({_NAME}(?:\|:?{_NAME})*):?\]|:?({_NAME}(?:\|:?{_NAME})*)", re.ASCII)
_COMMON = re.compile(r"\*[A-Z]{3}\??", re.ASCII)
_LONGEST_MNEMONIC = 12  # IEEE 488.2, 7.6.1.4.1


def short_form(word: str) -> str:
    """
    The short form that the rule gives: four letters, or three when the fourth is a vowel; words of four stay whole.

    For checks only; a header's short form is its printed capitals.
    """
    upper = word.upper()
    if len(upper) <= 4:
        return upper
    return upper[:3] if upper[3] in "AEIOU" else upper[:4]


@dataclass(frozen=True)
class _Node:
    names: tuple[str, ...]  # as printed, without suffix; more than one: alternatives
    has_suffix: bool
    is_optional: bool

    @property
    def pattern(self) -> str:
        forms = sorted({form for name in self.names for form in (name.upper(), _capitals(name))}, reverse=True)
        text = f":(?:{'|'.join(forms)})" + (r"(\d*)" if self.has_suffix else "")
        return f"(?:{text})?" if self.is_optional else text


@dataclass(frozen=True)
class Header:
    """
    One header, as printed.

    Args:
        printed: E.g. "[:SOURce]:POWer[:LEVel]", "CALCulate:MARKer<n>:X", "*IDN?". A "?" at the end makes it the query.

    Raises:
        ScpiSyntaxError: The printed form cannot be read, or every node of it is optional.
    """

    printed: str

    def __post_init__(self) -> None:
        nodes = self._nodes
        if not self.is_common and all(node.is_optional for node in nodes):
            raise ScpiSyntaxError(self.printed, len(self.printed), "a node that is not optional")

    @property
    def is_query(self) -> bool:
        return self.printed.endswith("?")

    @property
    def is_common(self) -> bool:
        """Whether it is a common command of IEEE 488.2, such as *RST."""
        return self.printed.startswith("*")

    def match(self, text: str) -> tuple[int, ...] | None:
        """
        Whether `text` is this header, in long or short form, in any case, with or without its optional nodes.

        Returns:
            The numeric suffixes in the order printed, 1 where left out; empty without suffixes. None: another header.
        """
        sent = text.strip().upper()
        if not self.is_common and not sent.startswith(":"):
            sent = ":" + sent
        found = self._expression.fullmatch(sent)
        return None if found is None else tuple(int(digits) if digits else 1 for digits in found.groups())

    def short(self, *suffixes: int) -> str:
        """
        The header to send: short forms, first alternatives, optional nodes left out, from the root without its colon.

        Args:
            suffixes: One for each numeric suffix of the nodes that are sent; left out: none is sent, which means 1.

        Raises:
            ValueError: More suffixes than the header has.
        """
        return self._write([node for node in self._nodes if not node.is_optional], _capitals, suffixes)

    def long(self, *suffixes: int) -> str:
        """The header in full: long forms in capitals, first alternatives, optional nodes put in. See `short`."""
        return self._write(list(self._nodes), str.upper, suffixes)

    @cached_property
    def _nodes(self) -> tuple[_Node, ...]:
        if self.is_common:
            if _COMMON.fullmatch(self.printed) is None:
                raise ScpiSyntaxError(self.printed, 1, "three capitals behind the star")
            return ()
        return _read_nodes(self.printed)

    @cached_property
    def _expression(self) -> re.Pattern[str]:
        if self.is_common:
            return re.compile(re.escape(self.printed))
        return re.compile("".join(node.pattern for node in self._nodes) + (r"\?" if self.is_query else ""))

    def _write(self, nodes: list[_Node], form: Callable[[str], str], suffixes: tuple[int, ...]) -> str:
        if self.is_common:
            return self.printed
        left = list(suffixes)
        words = []
        for node in nodes:
            word = form(node.names[0])
            words.append(f"{word}{left.pop(0)}" if node.has_suffix and left else word)
        if left:
            raise ValueError(f"{self.printed} has no room for the suffixes {suffixes}")
        return ":".join(words) + ("?" if self.is_query else "")


def _capitals(name: str) -> str:
    return "".join(character for character in name if not character.islower())


def _read_nodes(printed: str) -> tuple[_Node, ...]:
    text = printed.removesuffix("?")
    nodes: list[_Node] = []
    position = 0
    while position < len(text):
        found = _NODE.match(text, position)
        if found is None or (nodes and ":" not in found.group()):
            raise ScpiSyntaxError(printed, position, "a node such as :FREQuency or [:CW|:FIXed]")
        alternatives = [name.lstrip(":") for name in (found[1] or found[2]).split("|")]
        names = tuple(name.partition("<")[0] for name in alternatives)
        for name in names:
            if len(name) > _LONGEST_MNEMONIC:
                limit = f"a mnemonic of at most {_LONGEST_MNEMONIC} characters"
                raise ScpiSyntaxError(printed, position, f"{limit}, not {name}")
            if not name[0].isupper():
                raise ScpiSyntaxError(printed, position, f"capitals marking the short form of {name}")
        nodes.append(_Node(names, "<" in alternatives[0], found[1] is not None))
        position = found.end()
    return tuple(nodes)
