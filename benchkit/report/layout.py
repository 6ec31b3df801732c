"""What all plots of a page share: frame, axes, legend, and the note that a plot is simulated."""

from __future__ import annotations

import html
import textwrap
from collections.abc import Sequence
from typing import Any, TypeAlias

import numpy as np

from benchkit.results.figure import Axis

__all__ = ["PARTLY_NOTE", "SHADE", "SIMULATED_NOTE", "UNSTATED_NOTE", "Json", "layout_of", "shading", "shown_text"]

Json: TypeAlias = dict[str, Any]

GRID, FRAME, INK = "#DDDDDD", "#555555", "#1A1A1A"
SHADE = "#F3D9B1"
FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Liberation Sans', sans-serif"
LONGEST_Y_LINE = 40  # letters; a longer name would be cut where a plot is printed at half a page
SIMULATED_NOTE = "SIMULATED: no device was measured"
PARTLY_NOTE = "PARTLY SIMULATED, or origin not stated: see the names"
UNSTATED_NOTE = "ORIGIN NOT STATED: simulated or measured is not known"


def layout_of(
    title: str, x_axis: Axis, y_axis: Axis, x: np.ndarray[Any, Any], y: np.ndarray[Any, Any], *, height: int, note: str
) -> Json:
    """The layout that all plots share; ranges are fixed so that choices can be compared by flicking through them."""
    layout: Json = {
        "title": {"text": shown_text(title), "font": {"size": 16}, "x": 0, "xanchor": "left", "xref": "paper"},
        "height": height,
        "margin": {"l": 74, "r": 24, "t": 52, "b": 62},
        "paper_bgcolor": "#FFFFFF",
        "plot_bgcolor": "#FFFFFF",
        "font": {"family": FONT, "size": 13, "color": INK},
        "hovermode": "closest",
        "showlegend": True,
        "legend": {"x": 1.01, "xanchor": "left", "y": 1, "yanchor": "top", "itemwidth": 44, "font": {"size": 12}},
        "xaxis": _axis(x_axis, x),
        "yaxis": _axis(y_axis, y, longest=LONGEST_Y_LINE),
        "annotations": [_standing_note(note)] if note else [],
    }
    return layout


def shading(stretches: Sequence[tuple[float, float]]) -> list[Json]:
    """Stretches of x, from bottom to top, behind everything."""
    return [
        {
            "type": "rect", "xref": "x", "yref": "paper", "x0": low, "x1": high, "y0": 0, "y1": 1, "layer": "below",
            "fillcolor": SHADE, "line": {"width": 0},
        }
        for low, high in stretches
    ]  # fmt: skip


def _standing_note(text: str) -> Json:
    """Inside the plot, so that it goes along wherever the plot is copied to."""
    return {
        "text": f"<b>{text}</b>", "xref": "paper", "yref": "paper", "x": 1, "y": 1, "xanchor": "right",
        "yanchor": "bottom", "yshift": 6, "showarrow": False, "font": {"size": 12, "color": "#A23B00"},
    }  # fmt: skip


def _axis(axis: Axis, values: np.ndarray[Any, Any], *, longest: int = 200) -> Json:
    label = "<br>".join(map(shown_text, textwrap.wrap(axis.label, longest)))
    common: Json = {
        "title": {"text": label, "standoff": 10},
        "showline": True, "mirror": True, "linecolor": FRAME, "linewidth": 1, "gridcolor": GRID, "zeroline": False,
        "ticks": "outside", "tickcolor": FRAME, "automargin": True,
    }  # fmt: skip
    if axis.scale == "log":
        logs = np.log10(values[values > 0])
        decades = float(logs.max() - logs.min()) if logs.size else 1.0
        pad = 0.04 * max(decades, 0.1)
        return {
            **common, "type": "log", "range": [float(logs.min()) - pad, float(logs.max()) + pad] if logs.size else [-1, 0],
            "dtick": 1 if decades > 1.5 else "D2", "tickformat": "~g",
            "minor": {"dtick": "D1", "showgrid": True, "gridcolor": "#EEEEEE"},
        }  # fmt: skip
    low, high = float(values.min()), float(values.max())
    # A flat line is drawn in the middle of a frame that is not all noise.
    spare = 0.05 * (high - low) or max(abs(high) * 0.05, 0.5)
    return {**common, "range": [low - spare, high + spare], "tickformat": "~r" if high - low < 1e-6 else ""}


def shown_text(text: str) -> str:
    """Text from a file, for plotly, which reads a few tags in its texts: those of a file are shown, not obeyed."""
    # "%{" would be read as a place for a number in a hover text.
    return html.escape(text, quote=False).replace("%{", "%&#123;")
