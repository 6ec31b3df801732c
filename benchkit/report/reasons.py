"""Reasons for absent numbers, gathered: what differs only in its figures is one reason, with the figures' range."""

from __future__ import annotations

import re
from collections.abc import Iterable

from benchkit.report.digits import MINUS

__all__ = ["gathered"]

_NUMBER = re.compile(rf"[+{MINUS}-]?\d+(?:\.\d+)?")


def gathered(reasons: Iterable[tuple[str, int]]) -> list[tuple[str, int]]:
    """
    Each kind of reason and how often it was given, most frequent first.

    "rises by 0.12 dB" and "rises by 0.31 dB" become "rises by 0.12 to 0.31 dB".
    """
    groups: dict[str, tuple[list[list[str]], int]] = {}
    for text, count in reasons:
        figures, before = groups.setdefault(_NUMBER.sub("\0", text), ([], 0))
        figures.append(_NUMBER.findall(text))
        groups[_NUMBER.sub("\0", text)] = (figures, before + count)
    merged = [(_fill(pattern, figures), count) for pattern, (figures, count) in groups.items()]
    return sorted(merged, key=lambda one: -one[1])


def _fill(pattern: str, figures: list[list[str]]) -> str:
    pieces = pattern.split("\0")
    text = pieces[0]
    for slot, piece in zip(zip(*figures, strict=True), pieces[1:], strict=True):
        ordered = sorted(set(slot), key=lambda number: float(number.replace(MINUS, "-")))
        text += (ordered[0] if len(ordered) == 1 else f"{ordered[0]} to {ordered[-1]}") + piece
    return text
