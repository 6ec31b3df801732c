"""What colour, dash and mark stand for in every plot of a page: once, where a legend of every line would not fit on paper."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from benchkit.report.digits import celsius
from benchkit.report.palette import DASHES, NEUTRAL
from benchkit.report.style import Series, Style
from benchkit.results.figure import Trace

__all__ = ["KeyGroup", "KeyItem", "key_of"]

# Of the palette's dashes, as SVG's stroke-dasharray takes them; the line of an item is 34 long.
DASH_ARRAYS = {"solid": "", "dash": "9 4", "dot": "2 4", "dashdot": "9 4 2 4", "longdash": "13 4", "longdashdot": "13 4 2 4"}
# Of the palette's marks: an outline within 5 either way, and whether it is filled.
OUTLINES = {
    "circle": ("M-5 0a5 5 0 1 0 10 0a5 5 0 1 0 -10 0Z", True),
    "square-open": ("M-5 -5H5V5H-5Z", False),
    "diamond": ("M0 -6L6 0L0 6L-6 0Z", True),
    "triangle-up-open": ("M0 -5L5 4H-5Z", False),
    "x": ("M-5 -3L-3 -5L0 -2L3 -5L5 -3L2 0L5 3L3 5L0 2L-3 5L-5 3L-2 0Z", True),
    "cross-open": ("M-2 -5H2V-2H5V2H2V5H-2V2H-5V-2H-2Z", False),
    "star": ("M0 -6L1.6 -2H6L2.5 0.8L3.8 5L0 2.5L-3.8 5L-2.5 0.8L-6 -2H-1.6Z", True),
    "hexagon-open": ("M0 -5L4.5 -2.5V2.5L0 5L-4.5 2.5V-2.5Z", False),
}


@dataclass(frozen=True)
class KeyItem:
    """`dash_array` "" is solid; `outline` "" is no mark; `scale` of the mark; `width` 0 is no line."""

    name: str
    colour: str
    dash_array: str = ""
    outline: str = ""
    is_filled: bool = True
    scale: float = 1.0
    width: float = 2.0


@dataclass(frozen=True)
class KeyGroup:
    """What one means of telling apart stands for."""

    title: str
    items: tuple[KeyItem, ...]


def key_of(style: Style) -> list[KeyGroup]:
    """Only what there is more than one of."""
    groups = []
    if len(style.colours) > 1:
        by_degc = sorted(style.colours.items())
        groups.append(KeyGroup("Temperature", tuple(KeyItem(celsius(degc), colour) for degc, colour in by_degc)))
    if len(style.channels) > 1:
        dashes = [DASH_ARRAYS[DASHES[place % len(DASHES)]] for place in range(len(style.channels))]
        groups.append(
            KeyGroup("Channel", tuple(KeyItem(name, NEUTRAL, dash) for name, dash in zip(style.channels, dashes, strict=True)))
        )
    if len(style.records) > 1:
        groups.append(KeyGroup("Unit", tuple(_units(style))))
    return groups


def _units(style: Style) -> Iterator[KeyItem]:
    nothing = np.empty(0)
    for record in style.records:
        # Asked of the style itself, with a line of no temperature: what it draws is what the key shows.
        look = style.of(Series(Trace("", nothing, nothing), record))
        outline, is_filled = OUTLINES[look["marker"]["symbol"]]
        yield KeyItem(record, look["marker"]["color"], "", outline, is_filled, look["marker"]["size"] / 6)
