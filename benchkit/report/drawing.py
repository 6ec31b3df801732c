"""
Figures, which are data, to what plotly.js draws.

Plain dicts, not plotly's figure objects: those check every number one by one, and a night has hundreds of thousands. Numbers go
into the page once, as base64 of little-endian doubles, exactly as the record holds them; none are left out.
"""

from __future__ import annotations

import base64
import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from benchkit.report.digits import plain
from benchkit.report.layout import Json, layout_of, shading, shown_text
from benchkit.report.style import Series, Style, ranks
from benchkit.results.figure import Figure, Trace

__all__ = ["ArrayPool", "Drawing", "draw", "few_of", "safe_json", "spec_of"]

HEIGHT = 460  # px
LEGEND_LINE = 20  # px
LEGEND_SPARE = 150  # px
MARKS_ON_A_LINE = 12
LEGEND_ON_PAPER = 3  # lines; the key tells any number of them in one
FEW_PANELS = 6
_REPEAT = re.compile(r", repeat \d+$")


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
class Drawing:
    """
    One plot, ready for the page.

    Attributes:
        spec: What the page's script draws; arrays by their place in the pool.
        alt: What the plot shows, in words.
        empty: Why there is nothing to draw; "" when there is.
        is_keyed: Too many lines for a legend on paper, and the page's key, with what is in `own_key`, tells every one of them.
        few: Of `choices`, the places of those that an abridged report prints: few_of().
        own_key: Plotly traces without numbers: what this plot's lines are of that the page's key does not know.
    """

    key: str
    title: str
    caption: str
    alt: str
    spec: Json
    choices: tuple[str, ...] = ()
    choice_label: str = ""
    empty: str = ""
    is_keyed: bool = False
    few: tuple[int, ...] = ()
    own_key: tuple[Json, ...] = ()


def draw(figure: Figure, series: Mapping[str, Sequence[Series]], style: Style, pool: ArrayPool, *, note: str) -> Drawing:
    """
    One plot of one or several records.

    Args:
        figure: Gives title, axes and caption.
        series: Per choice ("" where there is none) what to draw, of all records.
        note: Stands in the plot itself, also when it is saved as a picture: that it is simulated; "" when it is not.
    """
    everything = [one for many in series.values() for one in many]
    x = _finite(np.asarray(one.trace.x, dtype=float) for one in everything)
    y = _finite(np.asarray(one.trace.y, dtype=float) for one in everything)
    names = tuple(name for name in series if name)
    common: dict[str, Any] = {
        "key": figure.key, "title": figure.title, "caption": figure.caption, "choices": names,
        "choice_label": figure.choice_label or "Shown",
    }  # fmt: skip
    drawable = any(bool((np.isfinite(one.trace.x) & np.isfinite(one.trace.y)).any()) for one in everything)
    if not drawable:
        why = "not one value of it is there; the data-sheet table gives the reasons"
        return Drawing(**common, alt=f"{figure.title}: nothing to plot, {why}.", spec={}, empty=why)
    longest = max(len(many) for many in series.values())
    layout = layout_of(
        figure.title, figure.x, figure.y, x, y, height=max(HEIGHT, LEGEND_LINE * longest + LEGEND_SPARE), note=note
    )
    if figure.shaded:
        layout["shapes"] = shading(figure.shaded)
    rank = ranks(one.trace for one in everything)
    sets = {
        name: [_trace(one, style, pool, rank[one.trace.part]) for one in sorted(many, key=_legend_order)]
        for name, many in series.items()
    }
    is_keyed = longest > LEGEND_ON_PAPER and all(map(_is_told_by_key, series.values()))
    few = few_of(names)
    spec = {**spec_of(sets, layout), "few": few}
    choice = f", one {common['choice_label'].lower()} at a time of {len(names)}" if len(names) > 1 else ""
    alt = (
        f"{figure.title}: {longest} {'line' if longest == 1 else 'lines'}{choice}. "
        f"Across: {figure.x.label}, {plain(float(x.min()), 4)} to {plain(float(x.max()), 4)}. "
        f"Up: {figure.y.label}, {plain(float(y.min()), 4)} to {plain(float(y.max()), 4)}."
    )
    own_key = _own_key(everything, rank) if is_keyed else ()
    return Drawing(**common, alt=alt, spec=spec, is_keyed=is_keyed, few=few, own_key=own_key)


def few_of(names: Sequence[str]) -> tuple[int, ...]:
    """
    Places of the choices that stand for all of them on few pages: those of the lowest, the middle and the highest frequency.

    Choices of one frequency ("14 GHz, lower side", "14 GHz, upper side") go together; more than FEW_PANELS are thinned likewise.
    """
    groups: dict[str, list[int]] = {}
    for place, name in enumerate(names):
        groups.setdefault(name.partition(",")[0], []).append(place)
    chosen = [place for group in _ends_and_middle(list(groups.values())) for place in group]
    return tuple(chosen if len(chosen) <= FEW_PANELS else _ends_and_middle(chosen))


def _ends_and_middle(many: list[Any]) -> list[Any]:
    return many if len(many) <= 3 else [many[0], many[len(many) // 2], many[-1]]


def _is_tied(trace: Trace) -> bool:
    """Whether it is a line of a condition, and so told by the key; else by its name alone, e.g. a bound."""
    return trace.temperature_degc is not None or trace.channel is not None


def _is_told_by_key(series: Sequence[Series]) -> bool:
    """Whether no two lines of conditions but repeats of one have temperature, channel, unit and part in common, all measured."""
    tied = [one for one in series if _is_tied(one.trace)]
    told = {(one.record, one.trace.temperature_degc, one.trace.channel, one.trace.part) for one in tied}
    named = {(one.record, _REPEAT.sub("", one.trace.name)) for one in tied}
    return len(told) == len(named) and all(one.imported is None for one in series)


def _own_key(series: Sequence[Series], rank: Mapping[str, int]) -> tuple[Json, ...]:
    """The parts of conditions, and every line of none by its name; each with the look that the plot gives it, without colour."""
    shown: dict[str, Trace] = {}
    for one in series:
        trace = one.trace
        name = trace.part if _is_tied(trace) else trace.name
        if name:
            shown.setdefault(name, replace(trace, temperature_degc=None, channel=None))
    neutral = Style({}, (), ())
    return tuple(
        {"name": name, "mode": trace.mode, **neutral.of(Series(trace, ""), rank[trace.part])} for name, trace in shown.items()
    )


def spec_of(sets: Mapping[str, Sequence[Json]], layout: Json) -> Json:
    """
    What the page's script draws.

    Each trace is [style, x, y]: places in the list of styles (everything but the numbers, each once) and in the page's arrays.

    Args:
        sets: Per choice, plotly traces with the places of their arrays as "x" and "y".
    """
    styles: list[Json] = []
    places: dict[str, int] = {}

    def compact(trace: Json) -> list[int]:
        look = {name: value for name, value in trace.items() if name not in ("x", "y")}
        place = places.setdefault(json.dumps(look), len(styles))
        if place == len(styles):
            styles.append(look)
        return [place, trace["x"], trace["y"]]

    compacted = [{"name": shown_text(name), "traces": [compact(trace) for trace in many]} for name, many in sets.items()]
    return {"styles": styles, "sets": compacted, "layout": layout}


def _legend_order(series: Series) -> tuple[str, float, str]:
    """Cold before hot, whatever was measured first."""
    trace = series.trace
    return series.record, -math.inf if trace.temperature_degc is None else trace.temperature_degc, trace.channel or ""


def _trace(series: Series, style: Style, pool: ArrayPool, rank: int) -> Json:
    trace = series.trace
    is_measured = series.imported is None
    name = trace.name if len(style.records) == 1 or not is_measured else f"{series.record}, {trace.name}"
    look, mode = style.of(series, rank), trace.mode
    if mode == "lines" and is_measured and len(style.records) > 1:
        # The mark is what tells units apart: a dozen along the line is enough.
        mode, look = "lines+markers", {**look, "marker": {**look["marker"], "maxdisplayed": MARKS_ON_A_LINE}}
    return {
        "name": shown_text(name),
        "mode": mode,
        "x": pool.add(trace.x),
        "y": pool.add(trace.y),
        **look,
        "hovertemplate": f"%{{x:.6g}}, %{{y:.5g}}<extra>{shown_text(name)}</extra>",
        "filter": {
            "temperature": trace.temperature_degc,
            "channel": trace.channel,
            "record": series.record if is_measured else None,
        },
    }


def safe_json(value: Any) -> str:
    """JSON that may stand inside a script element: no byte of it can end that element or begin a comment."""
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _finite(arrays: Iterable[np.ndarray[Any, Any]]) -> np.ndarray[Any, Any]:
    many = list(arrays)
    joined = np.concatenate(many) if many else np.empty(0)
    return joined[np.isfinite(joined)]
