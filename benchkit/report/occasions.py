"""One unit on several occasions: today against last month, package against wafer, judged by the En number."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchkit.errors import FileError
from benchkit.report.digits import decimals_for, difference_unit, fixed, plain
from benchkit.report.sheet import place_text
from benchkit.report.source import Source
from benchkit.results.result import Parameter

__all__ = ["Occasion", "OccasionRow", "occasions_of"]

MOST_ROWS = 15


@dataclass(frozen=True)
class OccasionRow:
    """As printed; differences are first less second, U with common parts taken out."""

    label: str
    where: str
    first: str
    second: str
    unit: str
    difference: str
    uncertainty: str
    difference_unit: str
    en: str
    disagrees: bool


@dataclass(frozen=True)
class Occasion:
    """
    Two records of one unit.

    Attributes:
        rows: The worst first.
        left_out: How many more there are.
        trouble: Why they could not be compared; else "".
    """

    first: str
    second: str
    headline: str
    agrees: bool
    rows: tuple[OccasionRow, ...] = ()
    left_out: int = 0
    common: tuple[str, ...] = ()
    causes: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    trouble: str = ""


def occasions_of(sources: Sequence[Source], parameters: Mapping[str, Parameter]) -> list[Occasion]:
    """Each unit's first occasion with every later one; in the order of time."""
    by_unit: dict[str, list[Source]] = {}
    for source in sources:
        by_unit.setdefault(source.serial, []).append(source)
    found = []
    for records in by_unit.values():
        if len(records) > 1:
            first, *later = sorted(records, key=lambda one: (one.started_s if math.isfinite(one.started_s) else math.inf))
            found += [_compared(first, other, parameters) for other in later]
    return found


def _compared(first: Source, second: Source, parameters: Mapping[str, Parameter]) -> Occasion:
    # Late: brings the whole campaign along, and a report over different units needs none of it.
    from benchkit.campaign.compare import compare_files
    from benchkit.campaign.compare_page import headline

    try:
        found = compare_files(first.path, second.path)
    except FileError as error:
        return Occasion(first.label, second.label, "Not compared", False, trouble=str(error))
    rows = []
    for row in found.rows[:MOST_ROWS]:
        label = parameters[row.parameter].label if row.parameter in parameters else row.parameter
        scale, unit = {"A": (1e3, "mA"), "V": (1e3, "mV"), "s": (1e9, "ns")}.get(row.unit, (1.0, row.unit))
        expanded = row.difference_expanded * scale
        digits = decimals_for(expanded) if math.isfinite(expanded) and expanded > 0 else None

        def text(value: float, *, scale: float = scale, digits: int | None = digits, signed: bool = False) -> str:
            if math.isnan(value):
                return "absent"
            return plain(value * scale, 5) if digits is None else fixed(value * scale, digits, signed=signed)

        rows.append(
            OccasionRow(
                label=", ".join(filter(None, [label, row.qualifier])),
                where=place_text(row.condition),
                first=text(row.first),
                second=text(row.second),
                unit=unit,
                difference=text(row.difference, signed=True) if math.isfinite(row.difference) else "",
                uncertainty="" if digits is None else fixed(expanded, digits),
                difference_unit=difference_unit(unit),
                en=row.reason or f"{row.en:+.2f}".replace("-", "\N{MINUS SIGN}"),
                disagrees=row.disagrees,
            )
        )
    return Occasion(
        first.label, second.label, headline(found), found.agrees, tuple(rows), len(found.rows) - len(rows), found.common,
        found.causes, found.notes,
    )  # fmt: skip
