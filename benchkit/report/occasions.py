"""One unit on several occasions: today against last month, package against wafer, judged by the En number."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchkit.errors import FileError
from benchkit.report.agreement_plots import overlays_of
from benchkit.report.agreement_rows import AgreementRow, agreement_rows
from benchkit.report.drawing import ArrayPool, Drawing
from benchkit.report.source import Source
from benchkit.report.style import Style
from benchkit.results.result import Parameter

__all__ = ["Occasion", "occasions_of"]

MOST_ROWS = 15
MOST_PLOTS = 6


@dataclass(frozen=True)
class Occasion:
    """
    Two records of one unit.

    Attributes:
        rows: The worst first.
        left_out: How many more there are.
        drawings: First less second, of the parameters with the largest |En|.
        not_drawn: How many parameters more there are to draw.
        trouble: Why they could not be compared; else "".
    """

    first: str
    second: str
    headline: str
    agrees: bool
    rows: tuple[AgreementRow, ...] = ()
    left_out: int = 0
    common: tuple[str, ...] = ()
    causes: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    trouble: str = ""
    drawings: tuple[Drawing, ...] = ()
    not_drawn: int = 0


def occasions_of(
    sources: Sequence[Source], parameters: Mapping[str, Parameter], style: Style, pool: ArrayPool, note: str
) -> list[Occasion]:
    """Each unit's first occasion with every later one; in the order of time."""
    by_unit: dict[str, list[Source]] = {}
    for source in sources:
        by_unit.setdefault(source.serial, []).append(source)
    found = []
    for records in by_unit.values():
        if len(records) > 1:
            first, *later = sorted(records, key=lambda one: (one.started_s if math.isfinite(one.started_s) else math.inf))
            found += [_compared(first, other, parameters, style, pool, note) for other in later]
    return found


def _compared(
    first: Source, second: Source, parameters: Mapping[str, Parameter], style: Style, pool: ArrayPool, note: str
) -> Occasion:
    # Late: brings the whole campaign along, and a report over different units needs none of it.
    from benchkit.campaign.compare import compare_files
    from benchkit.campaign.compare_text import headline

    try:
        found = compare_files(first.path, second.path)
    except FileError as error:
        return Occasion(first.label, second.label, "Not compared", False, trouble=str(error))
    rows = agreement_rows(found.rows[:MOST_ROWS], parameters)
    overlays = overlays_of(found, parameters, style, pool, note)
    return Occasion(
        first.label, second.label, headline(found), found.agrees, rows, len(found.rows) - len(rows), found.common,
        found.causes, found.notes, drawings=tuple(one.difference() for one in overlays[:MOST_PLOTS]),
        not_drawn=max(0, len(overlays) - MOST_PLOTS),
    )  # fmt: skip
