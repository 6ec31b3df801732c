"""
The data-sheet table for other documents: Markdown to paste, CSV to compute with.

The rows are the report's own (sheet.py): lowest, typical and highest over all conditions and units, rounded as the largest
uncertainty of the row allows, each with its place, U (k = 2), what was expected and the verdict.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from pathlib import Path

from benchkit.record import write_new
from benchkit.report.checks import Check
from benchkit.report.conditions import conditions_of
from benchkit.report.digits import MINUS, celsius
from benchkit.report.reading import read_sources
from benchkit.report.sheet import Row, Sheet, make_sheet
from benchkit.report.source import Source
from benchkit.report.title import incomplete_line, title_of

__all__ = ["export_datasheet"]

# In the CSV, names carry what a column is; the unit has a column of its own, as rows differ in it.
COLUMNS = (
    "measurement", "parameter", "label", "qualifier", "plane", "supply", "minimum", "minimum_at", "typical", "typical_note",
    "maximum", "maximum_at", "unit", "expanded_uncertainty", "uncertainty_unit", "uncertainty_note", "count", "absent",
    "expected", "expected_at", "verdict", "verdict_note", "convention", "marked",
)  # fmt: skip
HEADINGS = ("Parameter", "Conditions", "Min", "Typ", "Max", "Unit", "U (k = 2)", "N", "Expected", "Verdict")


def export_datasheet(records: Sequence[Path | str], target: Path | str) -> list[Path]:
    """
    Write the data-sheet table of one or several records of one part as `datasheet.md` and `datasheet.csv`.

    Args:
        records: Sealed ones, or ones still growing.
        target: A folder, made if need be.

    Returns:
        The files written.

    Raises:
        FormatError: One is not a record that this benchkit reads.
        FileError: They are not of one part, or one is named twice.
        RecordExistsError: One of the files exists; nothing was written.
        RecordError: No room, or no right to write there; nothing is left behind.
    """
    sources = read_sources([Path(record) for record in records])
    sheet, target = make_sheet(sources), Path(target)
    return write_new(
        {
            target / "datasheet.md": _markdown(sources, sheet).encode(),
            # With a byte order mark: a spreadsheet needs it, and pandas skips it.
            target / "datasheet.csv": _csv(sheet).encode("utf-8-sig"),
        }
    )


def _csv(sheet: Sheet) -> str:
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(COLUMNS)
    for group in sheet.groups:
        for row in group.rows:
            for check in row.checks or (None,):
                writer.writerow([text.replace(MINUS, "-") for text in _cells(group.title, row, check)])
    for check in sheet.unanswered:
        judged = [check.limit, check.where, check.outcome, check.reason]
        cells = ["", check.parameter, *[""] * (len(COLUMNS) - 8), *judged, "", ""]
        writer.writerow([text.replace(MINUS, "-") for text in cells])
    return stream.getvalue()


def _cells(measurement: str, row: Row, check: Check | None) -> list[str]:
    absent = "; ".join(f"{count} absent: {reason}" for reason, count in row.absent)
    judged = ["", "", "", ""] if check is None else [check.limit, check.where, check.outcome, _said(check)]
    return [
        measurement, row.name, row.label, row.qualifier, row.plane, row.supply, row.minimum, row.minimum_at, row.typical,
        row.typical_note, row.maximum, row.maximum_at, row.unit, row.uncertainty, row.uncertainty_unit, row.uncertainty_reason,
        str(row.count), absent, *judged, row.convention, str(row.marked or ""),
    ]  # fmt: skip


def _said(check: Check) -> str:
    counts = ", ".join(f"{count} {outcome}" for outcome, count in check.counts)
    return "; ".join(filter(None, [counts, f"nearest the limit: {check.worst}" if check.worst else "", check.reason]))


def _markdown(sources: Sequence[Source], sheet: Sheet) -> str:
    title = title_of(sources)
    lines = [f"# {_plain(title.part)}: data sheet", ""]
    lines += [f"**{_plain(title.simulated)}**", ""] if title.simulated else []
    for source in sources:
        if source.changes:
            lines += [f"**{_plain(source.label)} was CHANGED after it was sealed: {_plain(', '.join(source.changes))}.**", ""]
        if missing := incomplete_line(source, several=len(sources) > 1):
            lines += [f"**{_plain(missing)}**", ""]
    lines += [*_table(("Test condition", "Value"), conditions_of(sources)), ""]
    at = "of all values" if sheet.typical_at_degc is None else f"at {celsius(sheet.typical_at_degc)}"
    lines += [
        f"Typ: median {at}. Min, Max: over all units, channels, temperatures and frequencies measured. U: expanded uncertainty, "
        "k = 2, the largest of the row. N: how many values; marked: the bench had drifted "
        "meanwhile, or may have, or repeats lie apart.",
        "",
    ]
    for group in sheet.groups:
        rows = (cells for row in group.rows for cells in _rows(row))
        of = "Checks of the bench: " if group.about_bench else ""
        lines += [f"## {of}{_plain(group.title)}", "", *_table(HEADINGS, rows), ""]
    if not sheet.groups:
        lines += ["No results: nothing was measured to its end.", ""]
    if sheet.unanswered:
        judged = ((check.parameter, check.limit, check.where, check.outcome) for check in sheet.unanswered)
        headings = ("Parameter", "Expected", "Where", "Verdict")
        lines += ["## Expectations that no result answers", "", *_table(headings, judged), ""]
    return "\n".join(lines)


def _rows(row: Row) -> Iterator[tuple[str, ...]]:
    name = ", ".join(filter(None, [row.label, row.qualifier]))
    where = "; ".join(filter(None, [row.plane, f"at {row.supply}" if row.supply else ""]))
    unit = "" if row.unit == row.uncertainty_unit else f" {row.uncertainty_unit}"
    uncertainty = f"± {row.uncertainty}{unit}" if row.uncertainty else "not known"
    numbers = [
        f"{row.minimum} ({row.minimum_at})" if row.minimum_at and row.count > 1 else row.minimum,
        f"{row.typical} ({row.typical_note})" if row.typical_note else row.typical,
        f"{row.maximum} ({row.maximum_at})" if row.maximum_at and row.count > 1 else row.maximum,
    ]
    if not row.count:
        numbers, uncertainty = ["absent"] * 3, "; ".join(reason for reason, _ in row.absent)
    absent = sum(count for _, count in row.absent)
    count = f"{row.count}, {absent} absent" if row.count and absent else str(row.count)
    count += f", {row.marked} marked" if row.marked else ""
    for index, check in enumerate(row.checks or (None,)):
        judged = ("nothing", "") if check is None else (f"{check.limit}{f' at {check.where}' * bool(check.where)}", check.outcome)
        yield ((name, where, *numbers, row.unit, uncertainty, count) if not index else ("",) * 8) + judged


def _table(headings: Sequence[str], rows: Iterator[tuple[str, ...]] | Sequence[tuple[str, ...]]) -> list[str]:
    def line(cells: Sequence[str]) -> str:
        return "| " + " | ".join(map(_plain, cells)) + " |"

    return [line(headings), "|" + " --- |" * len(headings), *map(line, rows)]


def _plain(text: str) -> str:
    """Text from a file, for Markdown: shown, not obeyed; on one line, so that it stays in its cell."""
    folded = " ".join(text.split())
    return "".join(f"\\{letter}" if letter in "\\`*_{}[]<>|#~$&" else letter for letter in folded)
