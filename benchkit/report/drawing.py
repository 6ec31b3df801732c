"""
Figures, which are data, to what plotly.js draws.

Plain dicts, not plotly's figure objects: those check every number one by one, and a night has hundreds of thousands. Numbers go
into the page once, as base64 of little-endian doubles, exactly as the record holds them; none are left out.
"""

from __future__ import annotations

import base64
import html
import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike

from benchkit.report.digits import plain
from benchkit.report.palette import DASHES, MARKS, NEUTRAL
from benchkit.results.figure import Axis, Figure, Trace

__all__ = ["ArrayPool", "Drawing", "Json", "Series", "draw", "layout_of", "safe_json", "shown_text"]

Json: TypeAlias = dict[str, Any]

HEIGHT = 460  # px
LEGEND_LINE = 20  # px
LEGEND_SPARE = 150  # px
GRID, FRAME, INK = "#DDDDDD", "#555555", "#1A1A1A"
FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Liberation Sans', sans-serif"
SIMULATED_NOTE = "SIMULATED: no device was measured"


@dataclass
class ArrayPool:
    """Every array of the page once: figures of one measurement share most of theirs."""

    texts: list[str] = field(default_factory=list)
    _places: dict[bytes, int] = field(default_factory=dict)

    def add(self, values: ArrayLike) -> int:
        """Place of `values` in the page's list of arrays."""
        data = np.ascontiguousarray(values, dtype="<f8").tobytes()
        place = self._places.get(data)
        if place is None:
            place = self._places[data] = len(self.texts)
            self.texts.append(base64.b64encode(data).decode("ascii"))
        return place


@dataclass(frozen=True)
class Series:
    """A trace and the label of the record it is from."""

    trace: Trace
    record: str


@dataclass(frozen=True)
class Drawing:
    """
    One plot, ready for the page.

    Attributes:
        spec: What the page's script draws; arrays by their place in the pool.
        alt: What the plot shows, in words.
        empty: Why there is nothing to draw; "" when there is.
    """

    key: str
    title: str
    caption: str
    alt: str
    spec: Json
    choices: tuple[str, ...] = ()
    choice_label: str = ""
    empty: str = ""


@dataclass(frozen=True)
class Style:
    """Which colour, dash and mark stand for what, the same in every plot of a page."""

    colours: dict[float, str]
    channels: tuple[str, ...]
    records: tuple[str, ...]

    def of(self, series: Series) -> Json:
        trace = series.trace
        colour = NEUTRAL if trace.temperature_degc is None else self.colours.get(trace.temperature_degc, NEUTRAL)
        channel = self.channels.index(trace.channel) if trace.channel in self.channels else 0
        # With several records the mark tells the unit; the channel still has its dash.
        mark = self.records.index(series.record) if len(self.records) > 1 else channel
        return {
            "line": {"color": colour, "width": 1.8, "dash": DASHES[channel % len(DASHES)]},
            "marker": {"color": colour, "size": 6, "symbol": MARKS[mark % len(MARKS)]},
        }


def draw(
    figure: Figure, series: dict[str, Sequence[Series]], style: Style, pool: ArrayPool, *, simulated: bool
) -> Drawing:
    """
    One plot of one or several records.

    Args:
        figure: Gives title, axes and caption.
        series: Per choice ("" where there is none) what to draw, of all records.
        simulated: The plot says so in itself, also when it is saved as a picture.
    """
    everything = [one for many in series.values() for one in many]
    x = _finite(np.asarray(one.trace.x, dtype=float) for one in everything)
    y = _finite(np.asarray(one.trace.y, dtype=float) for one in everything)
    names = tuple(name for name in series if name)
    common: dict[str, Any] = {
        "key": figure.key, "title": figure.title, "caption": figure.caption, "choices": names,
        "choice_label": figure.choice_label or "Shown",
    }  # fmt: skip
    drawable = any(
        bool((np.isfinite(one.trace.x) & np.isfinite(one.trace.y)).any()) for one in everything
    )
    if not drawable:
        why = "not one value of it is there; the data-sheet table gives the reasons"
        return Drawing(**common, alt=f"{figure.title}: nothing to plot, {why}.", spec={}, empty=why)
    longest = max(len(many) for many in series.values())
    spec: Json = {
        "sets": [
            {"name": shown_text(name), "traces": [_trace(one, style, pool) for one in sorted(many, key=_legend_order)]}
            for name, many in series.items()
        ],
        "layout": layout_of(
            figure.title, figure.x, figure.y, x, y, height=max(HEIGHT, LEGEND_LINE * longest + LEGEND_SPARE),
            simulated=simulated,
        ),
    }  # fmt: skip
    choice = f", one {common['choice_label'].lower()} at a time of {len(names)}" if len(names) > 1 else ""
    alt = (
        f"{figure.title}: {longest} {'line' if longest == 1 else 'lines'}{choice}. "
        f"Across: {figure.x.label}, {plain(float(x.min()))} to {plain(float(x.max()))}. "
        f"Up: {figure.y.label}, {plain(float(y.min()), 4)} to {plain(float(y.max()), 4)}."
    )
    return Drawing(**common, alt=alt, spec=spec)


def layout_of(
    title: str, x_axis: Axis, y_axis: Axis, x: np.ndarray[Any, Any], y: np.ndarray[Any, Any], *, height: int, simulated: bool
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
        "yaxis": _axis(y_axis, y),
        "annotations": [simulated_note()] if simulated else [],
    }
    return layout


def simulated_note() -> Json:
    """Inside the plot, so that it goes along wherever the plot is copied to."""
    return {
        "text": f"<b>{SIMULATED_NOTE}</b>", "xref": "paper", "yref": "paper", "x": 1, "y": 1, "xanchor": "right",
        "yanchor": "bottom", "yshift": 6, "showarrow": False, "font": {"size": 12, "color": "#A23B00"},
    }  # fmt: skip


def _axis(axis: Axis, values: np.ndarray[Any, Any]) -> Json:
    common: Json = {
        "title": {"text": shown_text(axis.label), "standoff": 10},
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


def _legend_order(series: Series) -> tuple[str, float, str]:
    """Cold before hot, whatever was measured first."""
    trace = series.trace
    return series.record, -math.inf if trace.temperature_degc is None else trace.temperature_degc, trace.channel or ""


def _trace(series: Series, style: Style, pool: ArrayPool) -> Json:
    trace = series.trace
    name = trace.name if len(style.records) == 1 else f"{series.record}, {trace.name}"
    return {
        "name": shown_text(name),
        "mode": trace.mode,
        "x": pool.add(trace.x),
        "y": pool.add(trace.y),
        **style.of(series),
        "hovertemplate": f"%{{x:.6g}}, %{{y:.5g}}<extra>{shown_text(name)}</extra>",
        "filter": {
            "temperature": None if trace.temperature_degc is None or math.isnan(trace.temperature_degc) else trace.temperature_degc,
            "channel": trace.channel,
            "record": series.record,
        },
    }


def shown_text(text: str) -> str:
    """Text from a file, for plotly, which reads a few tags in its texts: those of a file are shown, not obeyed."""
    # "%{" would be read as a place for a number in a hover text.
    return html.escape(text, quote=False).replace("%{", "%&#123;")


def safe_json(value: Any) -> str:
    """JSON that may stand inside a script element: no byte of it can end that element or begin a comment."""
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _finite(arrays: Iterable[np.ndarray[Any, Any]]) -> np.ndarray[Any, Any]:
    many = list(arrays)
    joined = np.concatenate(many) if many else np.empty(0)
    return joined[np.isfinite(joined)]
