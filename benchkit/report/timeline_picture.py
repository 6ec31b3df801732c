"""The course of a run as a picture: chamber and case over time, below it when each channel was biased and what happened."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import numpy as np

from benchkit.report.layout import GRID
from benchkit.report.palette import NEUTRAL, OKABE_ITO
from benchkit.report.source import Source
from benchkit.report.timeline import biased_stretches

__all__ = ["draw_timeline"]

LINES = (
    ("set_degc", "chamber set point", "#777777", (0, (1.2, 2)), "steps-post"),
    ("air_degc", "chamber air", OKABE_ITO["sky blue"], "solid", "default"),
    ("case_degc", "device case", OKABE_ITO["black"], "solid", "default"),
)
EVENTS = {"error": ("X", OKABE_ITO["vermillion"]), "warning": ("^", "#B57B00"), "info": ("|", "#555555")}


def draw_timeline(source: Source, colours: dict[float, str], note: str) -> Any | None:
    """
    A matplotlib figure, or None when the record tells of no course.

    Args:
        colours: Per temperature; the bars of the bias have them.
        note: Stands in the plot; "" nothing.
    """
    from matplotlib.dates import ConciseDateFormatter
    from matplotlib.figure import Figure

    chamber, events = source.streams.chamber, source.streams.events
    stretches = biased_stretches(source.streams.bias, events, source.ended_s)
    if not len(chamber) and not len(events) and not stretches:
        return None
    paper = Figure(figsize=(8.0, 4.6), dpi=160, layout="constrained")
    above, below = paper.subplots(2, 1, sharex=True, height_ratios=(2.4, 1.0))
    for column, name, colour, dash, drawn in LINES:
        values = chamber[column].to_numpy(dtype=float) if len(chamber) else np.empty(0)
        if np.isfinite(values).any():
            moments = _moments(chamber["time_s"].to_numpy(dtype=float))
            above.plot(moments, values, label=name, color=colour, linestyle=dash, drawstyle=drawn, linewidth=1.2)
    channels = sorted({one.channel for one in stretches}, reverse=True)
    for one in stretches:
        level, colour = channels.index(one.channel) + 1, colours.get(one.temperature_degc, NEUTRAL)
        ends = _moments(np.array([one.begin_s, one.end_s]))
        below.plot(ends, [level, level], color=colour, linewidth=6, solid_capstyle="projecting")
    for severity, (mark, colour) in EVENTS.items():
        rows = events[events["severity"] == severity] if len(events) else events
        if len(rows):
            moments = _moments(rows["time_s"].to_numpy(dtype=float))
            below.plot(moments, np.zeros(len(rows)), linestyle="none", marker=mark, color=colour, label=severity)
    above.set_ylabel("Temperature (°C)")
    above.set_title("Course of the run", loc="left", fontsize=10.5, fontweight="bold")
    below.set_yticks(range(len(channels) + 1), ["events", *(f"channel {name} on" for name in channels)])
    below.set_ylim(-0.6, len(channels) + 0.6)
    below.set_xlabel("Time (UTC)")
    locator = below.xaxis.get_major_locator()
    below.xaxis.set_major_formatter(ConciseDateFormatter(locator, tz=UTC))  # type: ignore[no-untyped-call]  # matplotlib.dates has no types
    for axes in (above, below):
        axes.grid(visible=True, color=GRID, linewidth=0.6)
        axes.set_axisbelow(True)
    handles = [pair for axes in (above, below) for pair in zip(*axes.get_legend_handles_labels(), strict=True)]
    paper.legend(*map(list, zip(*handles, strict=True)), loc="outside right upper", frameon=False, fontsize=7.5)
    if note:
        above.text(0.99, 0.02, note, transform=above.transAxes, ha="right", va="bottom", color="#A23B00", fontweight="bold")
    return paper


def _moments(seconds: Any) -> list[datetime]:
    return [datetime.fromtimestamp(second, UTC) for second in seconds.tolist()]
