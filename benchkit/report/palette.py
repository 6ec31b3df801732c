"""
Colours, dashes and marks: temperature by colour, channel by dash and mark, so that a print in black and white still tells.

The colours are the published palette of M. Okabe and K. Ito, "Color Universal Design" (2002, revised 2008), made to be told apart
with any common kind of colour vision; as quoted by B. Wong, "Points of view: Color blindness", Nature Methods 8 (2011) 441.
"""

from __future__ import annotations

from collections.abc import Iterable

__all__ = ["DASHES", "IMPORTED_COLOURS", "MARKS", "NEUTRAL", "OKABE_ITO", "UNIT_COLOURS", "temperature_colours"]

OKABE_ITO = {
    "black": "#000000",
    "orange": "#E69F00",
    "sky blue": "#56B4E9",
    "bluish green": "#009E73",
    "yellow": "#F0E442",
    "blue": "#0072B2",
    "vermillion": "#D55E00",
    "reddish purple": "#CC79A7",
}

ROOM_DEGC = 25.0
ROOM_SPAN_K = 10.0
NEUTRAL = "#404040"
"""What is not tied to a temperature."""

DASHES = ("solid", "dash", "dot", "dashdot", "longdash", "longdashdot")
MARKS = ("circle", "square-open", "diamond", "triangle-up-open", "x", "cross-open", "star", "hexagon-open")

# Five, and eight marks: together they tell 40 units apart. Yellow is too pale on white, the other two are those below.
UNIT_COLOURS = tuple(OKABE_ITO[name] for name in ("black", "orange", "sky blue", "blue", "vermillion"))
# Of what was not measured here: colours that no temperature has.
IMPORTED_COLOURS = (OKABE_ITO["reddish purple"], OKABE_ITO["bluish green"])


def temperature_colours(temperatures_degc: Iterable[float]) -> dict[float, str]:
    """
    A colour for each temperature: blues below room temperature, black at it, orange to vermillion above.

    Room temperature is the one nearest 25 °C, if it lies within 10 K of it. The coldest is always blue, the hottest always
    vermillion; between them and room the colour goes towards sky blue and orange in even steps.
    """
    ordered = sorted({float(value) for value in temperatures_degc})
    if not ordered:
        return {}
    room = min(ordered, key=lambda value: abs(value - ROOM_DEGC))
    colours: dict[float, str] = {}
    if abs(room - ROOM_DEGC) <= ROOM_SPAN_K:
        colours[room] = OKABE_ITO["black"]
    cold = [value for value in ordered if value not in colours and value < ROOM_DEGC]
    hot = [value for value in reversed(ordered) if value not in colours and value >= ROOM_DEGC]
    for side, far, near in ((cold, "blue", "sky blue"), (hot, "vermillion", "orange")):
        for index, value in enumerate(side):
            part = index / (len(side) - 1) if len(side) > 1 else 0.0
            colours[value] = _between(OKABE_ITO[far], OKABE_ITO[near], part)
    return colours


def _between(first: str, second: str, part: float) -> str:
    pairs = ((int(first[i : i + 2], 16), int(second[i : i + 2], 16)) for i in (1, 3, 5))
    return "#" + "".join(f"{round(a + (b - a) * part):02X}" for a, b in pairs)
