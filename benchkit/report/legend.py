"""What a printed plot says of its lines: the page's key where that tells them, else a legend as text, which no paper cuts."""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence

from benchkit.report.drawing import Drawing
from benchkit.report.key import DASH_ARRAYS, OUTLINES, KeyGroup, KeyItem
from benchkit.report.layout import Json

__all__ = ["legend_of"]

# Besides the palette's marks those of events: benchkit.report.timeline.EVENT_STYLE.
_OUTLINES = {**OUTLINES, "triangle-up": (OUTLINES["triangle-up-open"][0], True), "line-ns-open": ("M0 -6V6", False)}


def legend_of(drawing: Drawing, key: Sequence[KeyGroup]) -> list[KeyGroup]:
    """
    Groups for below a printed plot.

    Args:
        key: Of the page; a keyed drawing adds what its lines are of.
    """
    if drawing.is_keyed:
        own = tuple(map(_item, drawing.own_key))
        return [*key, KeyGroup("Line", own)] if own else [*key]
    if not drawing.spec:
        return []
    items = list(dict.fromkeys(map(_item, _styles(drawing.spec))))
    return [KeyGroup("", tuple(items))] if items else []


def _styles(spec: Json) -> Iterable[Json]:
    """Of each line once, in the order that the plot draws them."""
    used = dict.fromkeys(style for one in spec["sets"] for style, _, _ in one["traces"])
    return (spec["styles"][style] for style in used if spec["styles"][style].get("showlegend", True))


def _item(look: Json) -> KeyItem:
    line, marker = look.get("line", {}), look.get("marker", {})
    has_line, has_mark = "lines" in look["mode"], "markers" in look["mode"]
    outline, is_filled = _OUTLINES[marker.get("symbol", "circle")] if has_mark else ("", True)
    return KeyItem(
        html.unescape(look["name"]),
        str((line if has_line else marker).get("color", "")),
        # What is no name of a dash is one as plotly takes it: lengths, with commas.
        DASH_ARRAYS.get(dash := line.get("dash", "solid"), dash.replace("px", "").replace(",", " ")),
        outline,
        is_filled,
        marker.get("size", 6) / 6 if has_mark else 1.0,
        float(line.get("width", 2)) if has_line else 0.0,
    )
