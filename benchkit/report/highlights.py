"""The few numbers a reader looks for first, and whether the device is within its expectations."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from benchkit.report.checks import OUTCOMES, Check
from benchkit.report.digits import celsius
from benchkit.report.sheet import Row, Sheet
from benchkit.results.verdict import Outcome

__all__ = ["Highlight", "Overall", "highlights_of", "overall_of"]

WANTED = (
    "small_signal_gain", "p1db", "saturated_power", "pae_p1db", "oip3", "input_return_loss", "quiescent_current",
    "detector_temperature_error",
)  # fmt: skip


@dataclass(frozen=True)
class Highlight:
    """
    Attributes:
        typical_at: Where the typical value holds: the temperature that it is the median at.
        expected: Every limit of the row; "" when nothing is expected of it, and then `outcome` too.
        outcome: The worst verdict of the row.
    """

    label: str
    typical: str
    unit: str
    span: str
    uncertainty: str
    uncertainty_unit: str
    outcome: str
    absent: str
    typical_at: str
    expected: str


@dataclass(frozen=True)
class Overall:
    """
    All expectations together.

    Attributes:
        outcome: The worst of all; "" when nothing is expected.
        text: In a line.
        failures: One line for each expectation that is not met for certain or not judged.
    """

    outcome: str
    text: str
    failures: tuple[tuple[str, str], ...]


def highlights_of(sheet: Sheet) -> list[Highlight]:
    """The wanted rows that are there, each under its qualifier; and every other row with a failure."""
    rows = list(_rows(sheet))
    first = [row for name in WANTED for row in rows if row.name == name]
    failing = [
        row for row in rows if row not in first and any(check.outcome in ("fail", "conditional fail") for check in row.checks)
    ]
    return [_highlight(row, sheet.typical_at_degc) for row in first + failing]


def _rows(sheet: Sheet) -> Iterator[Row]:
    for group in sheet.groups:
        yield from group.rows


def _highlight(row: Row, typical_at_degc: float | None) -> Highlight:
    outcomes = {check.outcome for check in row.checks}
    worst = next((one for one in OUTCOMES if one in outcomes), "")
    label = ", ".join(filter(None, [row.label, row.qualifier, row.supply]))
    span = f"{row.minimum} to {row.maximum}" if row.count > 1 else ""
    missing = sum(count for _, count in row.absent)
    # The reason's first clause is what was missing; its figures stand in the sheet.
    why = row.absent[0][0].partition(":")[0] if row.absent else ""
    absent = f"{missing} absent: {why}" if missing else ""
    at = row.typical_note or ("" if typical_at_degc is None else f"at {celsius(typical_at_degc)}")
    # One value is no median of several.
    typical_at = at if row.count > 1 else row.minimum_at
    limits = dict.fromkeys(f"{check.limit}{f' at {check.where}' * bool(check.where)}" for check in row.checks)
    return Highlight(
        label, row.typical, row.unit, span, row.uncertainty, row.uncertainty_unit, worst, absent, typical_at, "; ".join(limits)
    )


def overall_of(sheet: Sheet) -> Overall:
    checks = [(row, check) for row in _rows(sheet) for check in row.checks]
    everything = [check for _, check in checks] + list(sheet.unanswered)
    if not everything:
        return Overall("", "The sequence states no expectations: nothing was judged.", ())
    counts = Counter(check.outcome for check in everything)
    worst: Outcome = next(one for one in OUTCOMES if counts[one])
    text = "; ".join(f"{counts[one]} {one}" for one in reversed(OUTCOMES) if counts[one])
    lines = [(f"{row.label}{', ' + row.qualifier if row.qualifier else ''}", check) for row, check in checks]
    lines += [(check.parameter, check) for check in sheet.unanswered]
    many = len(everything) > 1
    count = f"{len(everything)} expectations, each by its worst verdict" if many else "1 expectation, by its worst verdict"
    return Overall(
        worst,
        f"{count}: {text}.",
        tuple((check.outcome, _line(name, check)) for name, check in lines if check.outcome != "pass"),
    )


def _line(name: str, check: Check) -> str:
    where = f" at {check.where}" if check.where else ""
    worst = f"; worst {check.worst}" if check.worst else ""
    counts = ", ".join(f"{count} {outcome}" for outcome, count in check.counts)
    reason = f"; {check.reason}" if check.reason else ""
    return f"{name}, expected {check.limit}{where}: {counts}{worst}{reason}"
