"""benchkit list"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchkit.cli.arguments import JsonOption

if TYPE_CHECKING:
    from benchkit.catalogue import Entry

__all__ = ["list_records", "parse_since"]

COLUMNS = ("begun (UTC)", "part", "unit", "conditions", "points", "ended", "verdicts", "", "file")


def list_records(
    folder: Annotated[Path, typer.Argument(metavar="[FOLDER]", help="Folder; default: this one.")] = Path(),
    part: Annotated[str, typer.Option("--part", help="Only this part; * and ? as in a shell.")] = "",
    unit: Annotated[str, typer.Option("--unit", help="Only this unit, e.g. L07-W1-01 or 'L07-W1-*'.")] = "",
    since: Annotated[
        str,
        typer.Option("--since", metavar="WHEN", help="Only those begun since: 2026-01-05, 2026-01-05T18:00 (UTC), or '3 d'."),
    ] = "",
    subfolders: Annotated[bool, typer.Option("--subfolders", help="Look into folders below as well.")] = False,
    as_json: JsonOption = False,
) -> None:
    """List the records in a folder: part, unit, when, conditions, points, how each ended, its verdicts."""
    import json
    import math
    import time

    from benchkit.catalogue import Wanted, list_folder

    since_s = parse_since(since, time.time()) if since else -math.inf
    entries = list_folder(folder, Wanted(part, unit, since_s), subfolders=subfolders)
    if as_json:
        typer.echo(json.dumps([entry.to_data() for entry in entries], indent=2))
        return
    records = [entry for entry in entries if not entry.trouble]
    if records:
        _print_table([COLUMNS, *(_row(entry) for entry in records)])
    else:
        typer.echo(f"{folder}: no record" + (" that fits" if part or unit or since else ""))
    for entry in entries:
        if entry.trouble:
            typer.echo(f"{entry.file}: {entry.trouble}")


def parse_since(text: str, now_s: float) -> float:
    """
    A moment from a date, a time of day (UTC unless it says otherwise), or an age such as "3 d" or "12 h".

    Returns:
        Seconds since 1970-01-01T00:00:00Z. [s]

    Raises:
        FileError: The text is none of these.
    """
    from benchkit.errors import FileError, Mistake, QuantityError
    from benchkit.quantities import parse_quantity

    try:
        moment = datetime.fromisoformat(text)
        return (moment if moment.tzinfo is not None else moment.replace(tzinfo=UTC)).timestamp()
    except ValueError:
        pass
    try:
        number, _, word = text.strip().partition(" ")
        if word.strip() in ("d", "day", "days"):
            return now_s - float(number) * 86400.0
        return now_s - parse_quantity(text, "s")
    except (QuantityError, ValueError):
        message = f"{text!r} is no moment; expected a date (2026-01-05), a time (2026-01-05T18:00) or an age (3 d, 12 h)"
        raise FileError([Mistake("command line", None, "--since", message)]) from None


def _row(entry: Entry) -> tuple[str, ...]:
    begun = "" if entry.started_s is None else datetime.fromtimestamp(entry.started_s, UTC).strftime("%Y-%m-%d %H:%M")
    points = "" if entry.points is None else str(entry.points)
    if entry.state != "sealed" and entry.planned_points:
        points += f" of {entry.planned_points}"
    verdicts = ", ".join(f"{count} {outcome}" for outcome, count in entry.verdicts.items())
    how = {True: "simulated", False: "", None: "?"}[entry.simulated]
    ended = entry.outcome if entry.state == "sealed" else entry.state
    return begun, entry.part, entry.unit, _conditions(entry), points, ended, verdicts, how, entry.file


def _conditions(entry: Entry) -> str:
    """E.g. "-30..+70 degC (3), A B, 6 V"."""
    parts = []
    temperatures = entry.temperatures_degc
    if len(temperatures) == 1:
        parts.append(f"{temperatures[0]:+g} degC")
    elif temperatures:
        parts.append(f"{temperatures[0]:+g}..{temperatures[-1]:+g} degC ({len(temperatures)})")
    if entry.channels:
        parts.append(" ".join(entry.channels))
    if entry.supply_voltages_v:
        parts.append("/".join(f"{value:g}" for value in entry.supply_voltages_v) + " V")
    return ", ".join(parts)


def _print_table(rows: list[tuple[str, ...]]) -> None:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row in rows:
        typer.echo("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True) if width).rstrip())
