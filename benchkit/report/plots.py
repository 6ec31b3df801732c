"""The plots of a page: what the kinds of measurement plot, with the records of all units in one frame, and the run's course."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import pandas as pd

from benchkit.measurements.sentinel import SENTINEL
from benchkit.report.drawing import ArrayPool, Drawing, draw
from benchkit.report.layout import PARTLY_NOTE, SIMULATED_NOTE, UNSTATED_NOTE
from benchkit.report.palette import temperature_colours
from benchkit.report.source import Source
from benchkit.report.style import Series, Style
from benchkit.report.timeline import timeline
from benchkit.results.figure import Figure, Trace

__all__ = ["Plots", "figures_of", "finished", "headline_of", "make_plots", "note_of", "style_of", "temperatures_of"]


@dataclass(frozen=True)
class Plots:
    """
    Attributes:
        measured: Of the measurements, in the order of the sequence.
        course: One of each record.
        temperatures, channels, records: What a reader can switch on and off.
        trouble: Why plots are missing; "" when none are.
    """

    measured: tuple[Drawing, ...]
    course: tuple[Drawing, ...]
    temperatures: tuple[float, ...]
    channels: tuple[str, ...]
    records: tuple[str, ...]
    trouble: str


def make_plots(sources: Sequence[Source], pool: ArrayPool) -> Plots:
    """Every plot; figures of one key from several records share a frame."""
    figures: dict[tuple[str, int], list[tuple[str, Figure]]] = {}
    troubles = []
    for source in sources:
        if source.sequence is None:
            troubles.append(f"{source.label}: the stored sequence cannot be read by this benchkit: {source.sequence_trouble}")
            continue
        seen: Counter[str] = Counter()
        for figure in figures_of(source):
            # Two measurements of one record may share a name, and are still two plots.
            seen[figure.key] += 1
            figures.setdefault((figure.key, seen[figure.key]), []).append((source.label, figure))
    style, temperatures = style_of(sources), temperatures_of(sources)
    note = note_of(sources)
    measured = tuple(draw(_frame(of_key), _series(of_key), style, pool, note=note) for of_key in figures.values())
    course = tuple(timeline(source, pool, style.colours, several=len(sources) > 1) for source in sources)
    return Plots(measured, course, tuple(temperatures), style.channels, style.records, "\n".join(troubles))


# What a reader of an amplifier's data sheet looks at first, by what a plot's title says; else the first plot there is.
HEADLINES = ("Gain against drive", "|S21| over frequency")


def headline_of(plots: Plots) -> int | None:
    """Place among the measured plots of the one that stands early in the report; None when there is nothing to draw."""
    drawable = [place for place, drawing in enumerate(plots.measured) if not drawing.empty]
    for words in HEADLINES:
        for place in drawable:
            title = plots.measured[place].title
            if words in title and "UNCORRECTED" not in title:
                return place
    return drawable[0] if drawable else None


def temperatures_of(sources: Sequence[Source]) -> list[float]:
    """Every temperature set, ascending. [degC]"""
    points = [source.streams.points for source in sources]
    return sorted({float(value) for frame in points for value in frame["temperature_set_degc"].dropna().unique()})


def style_of(sources: Sequence[Source]) -> Style:
    """What colour, dash and mark stand for in every plot of these records."""
    channels = {str(value) for source in sources for value in source.streams.points["channel"].unique()}
    # Paths have channels too, and no points.
    channels |= {one.condition.channel for source in sources for one in source.results if one.condition.channel is not None}
    labels = tuple(source.label for source in sources)
    return Style(temperature_colours(temperatures_of(sources)), tuple(sorted(channels)), labels)


def note_of(sources: Sequence[Source]) -> str:
    """What stands in every plot of these records: that it is simulated; "" when all is measured."""
    origins = {source.is_simulated for source in sources}
    if len(origins) > 1:
        return PARTLY_NOTE
    return {True: SIMULATED_NOTE, False: "", None: UNSTATED_NOTE}[origins.pop()]


def figures_of(source: Source) -> list[Figure]:
    """What the kinds of one record plot, from its finished ladders; in the sequence's order, those about the bench last."""
    if source.sequence is None:
        return []
    # Late: brings the whole campaign along.
    from benchkit.campaign.summary import of_measurement
    from benchkit.campaign.visits import visit_text, visits_of_ladders, without_visit
    from benchkit.plan.plan import make_plan

    points = finished(source.streams.points, source.streams.ladders)
    visits = visits_of_ladders(make_plan(source.sequence.file))
    visit_of_points = points["ladder"].map(visits) if visits else pd.Series(1, index=points.index)
    figures: list[Figure] = []
    for index, block in sorted(enumerate(source.sequence.file.measurements), key=lambda one: one[1].about_bench):
        rows = of_measurement(index, source.streams.own, source.streams.ladders)
        by_visit: dict[str, Figure] = {}
        for visit in sorted(set(visits.values())) or [1]:
            own = points[(points["measurement"] == index) & (visit_of_points == visit)]
            here = {name: _at_visit(stream, visits, visit) for name, stream in rows.items()}
            if not len(own) and not any(map(len, here.values())):
                continue
            results = [
                replace(result, qualifier=plain)
                for result in source.results
                if result.measurement == block.title
                for plain, its in (without_visit(result.qualifier),)
                if its == visit
            ]
            seen: Counter[str] = Counter()
            for figure in block.figures_record(own, here, results):
                seen[figure.key] += 1
                key = f"{figure.key} {seen[figure.key]}"
                by_visit[key] = figure if visit == 1 else _with(by_visit.get(key), figure, visit_text(visit))
        figures.extend(by_visit.values())
    sentinel = source.sequence.file.sentinel
    if sentinel is not None and SENTINEL in source.streams.own:
        figures.extend(sentinel.figures_record(points, source.streams.own, []))
    return figures


def _at_visit(rows: pd.DataFrame, visits: Mapping[int, int], visit: int) -> pd.DataFrame:
    """What was stored before the first condition (ladder -1) belongs to every visit."""
    return rows[(rows["ladder"] < 0) | (rows["ladder"].map(visits) == visit)] if visits else rows


def _with(before: Figure | None, figure: Figure, visit: str) -> Figure:
    """The plot of earlier visits with a return's lines in it, each told by its name."""

    def named(traces: Sequence[Trace]) -> tuple[Trace, ...]:
        return tuple(replace(trace, name=f"{trace.name}, {visit}") for trace in traces)

    choices = {} if before is None else dict(before.choices)
    for name, traces in figure.choices.items():
        choices[name] = (*choices.get(name, ()), *named(traces))
    traces = (*(() if before is None else before.traces), *named(figure.traces))
    return replace(before or figure, traces=traces, choices=choices)


def finished(points: pd.DataFrame, ladders: pd.DataFrame) -> pd.DataFrame:
    """Points of finished attempts at their ladders only: a torn one is kept in the record, and not shown as a curve."""
    kept = ladders[ladders["status"].isin(("complete", "stopped"))]
    pairs = pd.MultiIndex.from_frame(kept[["ladder", "attempt"]])
    return points[pd.MultiIndex.from_frame(points[["ladder", "attempt"]]).isin(pairs)]


def _frame(of_key: Sequence[tuple[str, Figure]]) -> Figure:
    """Title, axes and caption. One record's shading says nothing of another's hours: with several there is none."""
    figure = of_key[0][1]
    return replace(figure, shaded=()) if len({label for label, _ in of_key}) > 1 else figure


def _series(of_key: Sequence[tuple[str, Figure]]) -> dict[str, list[Series]]:
    found: dict[str, list[Series]] = {}
    for label, figure in of_key:
        choices: dict[str, tuple[Trace, ...]] = dict(figure.choices) or {"": figure.traces}
        for name, traces in choices.items():
            found.setdefault(name, []).extend(Series(trace, label) for trace in traces)
    return found
