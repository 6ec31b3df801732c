"""What the night looked like: chamber and case over time, when each channel was biased, and what happened."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from benchkit.report.digits import celsius, clock_time, plain
from benchkit.report.drawing import ArrayPool, Drawing, spec_of
from benchkit.report.layout import SIMULATED_NOTE, UNSTATED_NOTE, Json, layout_of, shown_text
from benchkit.report.palette import NEUTRAL, OKABE_ITO
from benchkit.report.source import Source
from benchkit.results.figure import Axis

__all__ = ["Biased", "biased_stretches", "timeline"]

EVENT_STYLE = {
    "error": ("x", OKABE_ITO["vermillion"], 11),
    "warning": ("triangle-up", "#B57B00", 10),
    "info": ("line-ns-open", "#555555", 9),
}
MILLISECONDS = 1e3


@dataclass(frozen=True)
class Biased:
    """One stretch with the drain on. `is_open`: the record does not tell of its end; drawn to the record's last moment."""

    channel: str
    begin_s: float
    end_s: float
    temperature_degc: float
    supply_voltage_v: float
    is_open: bool


def biased_stretches(bias: pd.DataFrame, events: pd.DataFrame, ended_s: float) -> list[Biased]:
    """
    From the record's bias stream: a row "biased" begins a stretch, the channel's next row with the drain off ends it, or the
    event that says that all was made safe and verified.

    Args:
        ended_s: The record's last moment, for a stretch whose end it does not tell. [s]
    """
    stretches = []
    verified = events[(events["kind"] == "made safe") & (events["severity"] == "info")]["time_s"].tolist()
    for channel, rows in bias.groupby("channel", sort=True):
        begun: Any = None
        row: Any
        for row in rows.itertuples(index=False):
            is_on = row.state in ("biased", "driven")
            if is_on and begun is None:
                begun = row
            elif not is_on and begun is not None:
                stretches.append(_stretch(str(channel), begun, float(row.time_s), is_open=False))
                begun = None
        if begun is not None:
            safe_s = next((time_s for time_s in verified if time_s >= begun.time_s), None)
            end_s = ended_s if safe_s is None else float(safe_s)
            stretches.append(_stretch(str(channel), begun, end_s, is_open=safe_s is None))
    return stretches


def _stretch(channel: str, row: Any, end_s: float, *, is_open: bool) -> Biased:
    return Biased(channel, float(row.time_s), end_s, float(row.temperature_set_degc), float(row.supply_voltage_set_v), is_open)


def timeline(source: Source, pool: ArrayPool, colours: dict[float, str], *, several: bool) -> Drawing:
    """
    One record's course: chamber set point, air and case above; bias per channel and events below.

    Args:
        colours: Per temperature; the bars of the bias have them.
        several: The page shows several records, so the title names this one.
    """
    streams, title = source.streams, "Course of the run" + (f", {source.label}" if several else "")
    chamber, events = streams.chamber, streams.events
    stretches = biased_stretches(streams.bias, events, source.ended_s)
    caption = (
        "Times are UTC. Bars: drain on, one row for each channel, coloured by temperature; an arrow at a bar's end: the record "
        "does not tell of the end. Marks: events, cross error, triangle warning, stroke information."
    )
    if not len(events) and not len(chamber) and not stretches:
        why = "the record holds no chamber readings, bias states or events"
        return Drawing(f"timeline {source.label}", title, caption, f"{title}: nothing to plot, {why}.", {}, empty=why)
    traces: list[Json] = []
    air: list[np.ndarray[Any, Any]] = []
    for column, name, colour, dash, shape in (
        ("set_degc", "chamber set point", "#777777", "dot", "hv"),
        ("air_degc", "chamber air", OKABE_ITO["sky blue"], "solid", "linear"),
        ("case_degc", "device case", OKABE_ITO["black"], "solid", "linear"),
    ):
        values = chamber[column].to_numpy(dtype=float) if len(chamber) else np.empty(0)
        if np.isfinite(values).any():
            air.append(values[np.isfinite(values)])
            traces.append(
                {
                    "name": name, "mode": "lines", "x": pool.add(MILLISECONDS * chamber["time_s"].to_numpy(dtype=float)),
                    "y": pool.add(values), "line": {"color": colour, "dash": dash, "width": 1.6, "shape": shape},
                    "hovertemplate": f"%{{x|%H:%M:%S}}, %{{y:.2f}} °C<extra>{name}</extra>",
                }
            )  # fmt: skip
    channels = sorted({one.channel for one in stretches})
    traces += [_bar(one, len(channels) - channels.index(one.channel), pool, colours) for one in stretches]
    traces += _event_traces(events, pool)
    temperatures = np.concatenate(air) if air else np.array([0.0, 1.0])
    begin, end = _span(source)
    layout = layout_of(
        title, Axis("Time (UTC)"), Axis("Temperature (°C)"), np.array([begin, end]) * MILLISECONDS, temperatures, height=520,
        note="" if source.is_simulated is False else SIMULATED_NOTE if source.is_simulated else UNSTATED_NOTE,
    )  # fmt: skip
    layout["xaxis"].update({"type": "date", "tickformat": "%H:%M\n%d %b", "anchor": "y2", "hoverformat": "%Y-%m-%d %H:%M:%S"})
    layout["xaxis"]["mirror"] = "all"
    layout["yaxis"]["domain"] = [0.36, 1.0] if air else [0.99, 1.0]
    layout["yaxis2"] = {
        "domain": [0.0, 0.28], "range": [-0.6, len(channels) + 0.7], "anchor": "x", "showline": True, "mirror": True,
        "linecolor": "#555555", "gridcolor": "#EEEEEE", "zeroline": False, "automargin": True,
        "tickvals": list(range(len(channels) + 1)),
        "ticktext": ["events", *(shown_text(f"channel {name} on") for name in reversed(channels))],
    }  # fmt: skip
    errors = int((events["severity"] == "error").sum()) if len(events) else 0
    low, high = (celsius(round(float(end), 1)) for end in (temperatures.min(), temperatures.max()))
    alt = (
        f"{title}: from {clock_time(begin)} to {clock_time(end)}, {len(stretches)} stretches with the drain on, "
        f"{len(events)} events of which {errors} errors. "
    ) + (f"Temperatures from {low} to {high}." if air else "No chamber readings.")
    return Drawing(f"timeline {source.label}", title, caption, alt, spec_of({"": traces}, layout))


def _span(source: Source) -> tuple[float, float]:
    starts = [float(frame["time_s"].min()) for frame in (source.streams.events, source.streams.chamber, source.streams.bias)
              if len(frame)]  # fmt: skip
    begin = min(starts) if math.isnan(source.started_s) else min([source.started_s, *starts])
    return begin, source.ended_s if source.ended_s > begin else begin + 1.0


def _bar(one: Biased, level: int, pool: ArrayPool, colours: dict[float, str]) -> Json:
    colour = colours.get(one.temperature_degc, NEUTRAL)
    what = f"channel {one.channel} on, {plain(one.supply_voltage_v)} V, {celsius(one.temperature_degc)}"
    return {
        "name": shown_text(what), "showlegend": False, "mode": "lines+markers", "yaxis": "y2",
        "x": pool.add([MILLISECONDS * one.begin_s, MILLISECONDS * one.end_s]), "y": pool.add([level, level]),
        "line": {"color": colour, "width": 9},
        "marker": {"color": colour, "size": 14, "symbol": "triangle-right", "opacity": [0, 1 if one.is_open else 0]},
        "hovertemplate": f"%{{x|%H:%M:%S}}<extra>{shown_text(what)}</extra>",
    }  # fmt: skip


def _event_traces(events: pd.DataFrame, pool: ArrayPool) -> list[Json]:
    traces: list[Json] = []
    for severity, (symbol, colour, size) in EVENT_STYLE.items():
        rows = events[events["severity"] == severity] if len(events) else events
        if len(rows):
            traces.append(
                {
                    "name": severity, "mode": "markers", "yaxis": "y2",
                    "x": pool.add(MILLISECONDS * rows["time_s"].to_numpy(dtype=float)), "y": pool.add(np.zeros(len(rows))),
                    "marker": {"symbol": symbol, "color": colour, "size": size, "line": {"width": 2, "color": colour}},
                    "text": [shown_text(f"{row.kind}: {_folded(str(row.text))}") for row in rows.itertuples(index=False)],
                    "hovertemplate": "%{x|%H:%M:%S}<br>%{text}<extra></extra>",
                }
            )  # fmt: skip
    return traces


def _folded(text: str) -> str:
    return text if len(text) <= 120 else text[:117] + "..."
