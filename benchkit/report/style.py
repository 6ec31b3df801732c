"""Which colour, dash, mark and weight a line of a plot has, by what it is a line of."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from benchkit.report.layout import Json
from benchkit.report.palette import DASHES, IMPORTED_COLOURS, MARKS, NEUTRAL, UNIT_COLOURS
from benchkit.results.figure import Trace

__all__ = ["Series", "Style", "ranks"]

# Of the lines of one condition that have the same mode: the first, the second and the third.
RANK_WIDTHS = (1.8, 0.9, 2.8)
RANK_SIZE = 2


@dataclass(frozen=True)
class Series:
    """
    A trace and the label of the record it is from.

    Attributes:
        imported: Place of the imported file that it is from, and then no record has it; None: it was measured.
    """

    trace: Trace
    record: str
    imported: int | None = None


@dataclass(frozen=True)
class Style:
    """Which colour, dash and mark stand for what, the same in every plot of a page."""

    colours: dict[float, str]
    channels: tuple[str, ...]
    records: tuple[str, ...]

    @property
    def colour_is_unit(self) -> bool:
        """Several units at one temperature: then colour is free to tell them apart."""
        return len(self.records) > 1 and len(self.colours) < 2

    def of(self, series: Series, rank: int = 0) -> Json:
        """
        What plotly draws the line with.

        Args:
            rank: Of the lines of one condition that are drawn alike, which it is (ranks()): each is told by weight and size.
        """
        trace = series.trace
        if series.imported is not None:
            # Longer dashes than a channel's, wider, and never a mark: nobody takes it for a reading.
            look = IMPORTED_COLOURS[series.imported % len(IMPORTED_COLOURS)]
            return {"line": {"color": look, "width": 2.4, "dash": "10px,6px"}, "marker": {"color": look, "size": 6}}
        colour = NEUTRAL if trace.temperature_degc is None else self.colours.get(trace.temperature_degc, NEUTRAL)
        channel = self.channels.index(trace.channel) if trace.channel in self.channels else 0
        # With several records the mark tells the unit; the channel still has its dash.
        mark = self.records.index(series.record) if len(self.records) > 1 else channel
        if self.colour_is_unit:
            colour = UNIT_COLOURS[mark % len(UNIT_COLOURS)]
        # With one temperature colour tells units as well; with several, the ninth begins anew with larger marks.
        size = 6 + 3 * (mark // len(MARKS) % 3) + RANK_SIZE * rank
        return {
            "line": {"color": colour, "width": RANK_WIDTHS[rank % len(RANK_WIDTHS)], "dash": DASHES[channel % len(DASHES)]},
            "marker": {"color": colour, "size": size, "symbol": MARKS[mark % len(MARKS)]},
        }


def ranks(traces: Iterable[Trace]) -> dict[str, int]:
    """Of each part that a plot's lines are of (Trace.part): the how manyth it is among those of its mode."""
    modes: dict[str, str] = {}
    for trace in traces:
        modes.setdefault(trace.part, trace.mode)
    found: dict[str, int] = {}
    for part, mode in modes.items():
        found[part] = sum(modes[other] == mode for other in found)
    return found
