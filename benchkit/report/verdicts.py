"""Verdicts over units: each expectation in a row, each record in a column, and what all of it comes to for each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.report.checks import OUTCOMES, Check, RecordCheck
from benchkit.report.sheet import Sheet
from benchkit.report.source import Source
from benchkit.report.title import incomplete_line

__all__ = ["VerdictRow", "VerdictTable", "verdict_table"]

MOST_WITH_VALUES = 6
"""Records beside which the value nearest the limit still finds room."""


@dataclass(frozen=True)
class VerdictRow:
    """`cells`: one for each record; None: its sequence does not ask for this."""

    label: str
    limit: str
    where: str
    cells: tuple[RecordCheck | None, ...]


@dataclass(frozen=True)
class VerdictTable:
    """`overall`: the worst outcome of each record; "incomplete" goes before all but a failure."""

    records: tuple[str, ...]
    rows: tuple[VerdictRow, ...]
    overall: tuple[str, ...]
    with_values: bool


def verdict_table(sheet: Sheet, sources: Sequence[Source]) -> VerdictTable | None:
    """None with one record, or where nothing is expected."""
    labels = tuple(source.label for source in sources)
    found: list[tuple[str, Check]] = []
    for group in sheet.groups:
        for row in group.rows:
            found += [(", ".join(filter(None, [row.label, row.qualifier, row.supply])), check) for check in row.checks]
    found += [(check.parameter, check) for check in sheet.unanswered]
    if len(labels) < 2 or not found:
        return None
    rows = tuple(
        VerdictRow(name, check.limit, check.where, tuple(check.by_record.get(label) for label in labels)) for name, check in found
    )
    overall = tuple(
        _overall([row.cells[place] for row in rows], bool(incomplete_line(source, several=True)))
        for place, source in enumerate(sources)
    )
    return VerdictTable(labels, rows, overall, len(labels) <= MOST_WITH_VALUES)


def _overall(cells: Sequence[RecordCheck | None], is_incomplete: bool) -> str:
    outcomes = {cell.outcome for cell in cells if cell is not None}
    worst = next((one for one in OUTCOMES if one in outcomes), "")
    # What is known to fail fails, whatever else would have been measured.
    return "incomplete" if is_incomplete and worst not in ("fail", "conditional fail") else worst
