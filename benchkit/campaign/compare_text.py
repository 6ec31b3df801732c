"""A comparison as plain text, for a terminal or a log."""

from __future__ import annotations

import math
from collections.abc import Iterator

from benchkit.campaign.compare import Comparison, Row
from benchkit.results.result import ResultCondition, supply_text

__all__ = ["headline", "text_lines", "where_text"]

DIGITS = 5
WORST = 20
MOST_DIFFERENCES = 30


def headline(comparison: Comparison) -> str:
    """One line: whether they agree, of how many."""
    if comparison.changed:
        return f"Not to be trusted: changed after it was sealed: {'; '.join(comparison.changed)}"
    bad, judged = len(comparison.disagreements), len(comparison.judged)
    if not judged:
        return "Not judged: no result has an uncertainty in both"
    worst = [row for row in comparison.rows if not math.isnan(row.en)]
    most = f"; largest |En| {max(abs(row.en) for row in worst):.2f}" if worst else ""
    word = "agree" if comparison.agrees else "do NOT agree"
    if bad == 0:
        counted = f"all {judged} results that could be judged have |En| <= 1"
    else:
        excused = f" (chance excuses {comparison.excused})" if comparison.excused else ""
        counted = f"{bad} of {judged} results disagree{excused}"
    return f"The two {word}: {counted}{most}"


def text_lines(comparison: Comparison, *, every_row: bool = False) -> Iterator[str]:
    """For a terminal or a log."""
    yield headline(comparison)
    for cause in comparison.causes:
        yield f"hint: {cause}"
    yield ""
    rows = comparison.rows if every_row else comparison.rows[:WORST]
    cells = [("parameter", "at", "first", "U", "second", "U", "first-second", "its U", "En"), *(_cells(row) for row in rows)]
    widths = [max(len(line[column]) for line in cells) for column in range(len(cells[0]) - 1)]
    for line in cells:
        left = [line[column].ljust(widths[column]) if column < 2 else line[column].rjust(widths[column]) for column in range(8)]
        yield "  ".join([*left, line[-1]]).rstrip()
    if len(rows) < len(comparison.rows):
        yield f"... and {len(comparison.rows) - len(rows)} more rows (compare --all shows them)"
    for which, left_over in (("first", comparison.only_first), ("second", comparison.only_second)):
        if left_over:
            names = ", ".join(dict.fromkeys(one.parameter for one in left_over))
            yield f"only in the {which}: {len(left_over)} results ({names})"
    yield ""
    yield from difference_lines(comparison)
    for note in comparison.notes:
        yield f"note: {note}"


def difference_lines(comparison: Comparison) -> Iterator[str]:
    """What differs, and what is common."""
    if comparison.differences:
        yield "what differs (first -> second):"
        for one in comparison.differences[:MOST_DIFFERENCES]:
            yield f"  {one}"
        if len(comparison.differences) > MOST_DIFFERENCES:
            yield f"  ... and {len(comparison.differences) - MOST_DIFFERENCES} more"
    elif comparison.common:
        yield "nothing differs that the records know of"
    if comparison.common:
        yield f"in common, not counted twice: {'; '.join(comparison.common)}"


def _cells(row: Row) -> tuple[str, ...]:
    last = row.reason or f"{row.en:+.2f}"
    if row.disagrees:
        last += "  DISAGREES"
    if row.doubt:
        last += f"  MARKED ({row.doubt})"
    return (
        _name(row), where_text(row.condition), f"{_number(row.first)} {row.unit}", _number(row.first_expanded),
        f"{_number(row.second)} {row.unit}", _number(row.second_expanded), _number(row.difference),
        _number(row.difference_expanded), last,
    )  # fmt: skip


def _name(row: Row) -> str:
    return f"{row.parameter}, {row.qualifier}" if row.qualifier else row.parameter


def where_text(at: ResultCondition) -> str:
    """A condition in a few words; "" without one."""
    parts = [
        "" if at.channel is None else at.channel,
        "" if at.temperature_degc is None else f"{at.temperature_degc:+g} degC",
        supply_text(at.supply_voltage_v),
        "" if at.frequency_hz is None else f"{at.frequency_hz / 1e9:.9g} GHz",
    ]
    return " ".join(part for part in parts if part)


def _number(value: float) -> str:
    return "none" if math.isnan(value) else f"{value:.{DIGITS}g}"
