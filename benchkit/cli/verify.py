"""benchkit verify"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from benchkit.cli.arguments import JsonOption

__all__ = ["verify"]

# What a path inside the record is, in words; the first that fits.
PLACES = (
    ("texts/sequence", "the sequence's text"),
    ("texts/bench", "the bench file's text"),
    ("files/", "a file kept with it (path table)"),
    ("instruments/", "the instruments' identities"),
    ("results/", "results"),
    ("verdicts/", "verdicts"),
    ("points/", "readings"),
    ("ladders/", "the list of ladders"),
    ("events/", "the events"),
    ("chamber/", "the chamber's log"),
    ("bias/", "the bias log"),
    ("pins/", "readings"),
)


def verify(
    records: Annotated[list[Path], typer.Argument(metavar="RECORD...", help="One or several records.")],
    as_json: JsonOption = False,
) -> None:
    """
    Say whether a sealed record is as it was sealed, and what was changed where if it is not.

    Exit code 0: all untouched; 1: one was changed; 2: one is not a record, or is not sealed yet.
    """
    import json

    found = [_verify(path) for path in records]
    if as_json:
        typer.echo(json.dumps(found, indent=2))
    else:
        for one in found:
            for line in _lines(one):
                typer.echo(line, err=one["state"] == "not verifiable")
    states = {one["state"] for one in found}
    raise typer.Exit(2 if "not verifiable" in states else 1 if "changed" in states else 0)


def _verify(path: Path) -> dict[str, Any]:
    from benchkit.errors import FormatError
    from benchkit.record import Record

    try:
        with Record.open(path) as record:
            try:
                changes = record.changes()
            except OSError as error:  # HDF5 can't read a part of what it opened
                changes = [f"cannot be read: {' '.join(str(error).split())}"]
            return {
                "record": str(path),
                "state": "changed" if changes else "untouched",
                "digest": record.digest,
                "record_id": record.record_id,
                "changes": [{"where": where, "what": _what(where)} for where in changes],
                "trouble": "",
            }
    except FormatError as error:
        return {
            "record": str(path), "state": "not verifiable", "digest": "", "record_id": "", "changes": [], "trouble": str(error),
        }  # fmt: skip


def _what(where: str) -> str:
    return next((what for start, what in PLACES if where.startswith(start)), "")


def _lines(one: dict[str, Any]) -> list[str]:
    if one["state"] == "not verifiable":
        return [f"benchkit: {one['trouble']}"]
    if one["state"] == "untouched":
        return [f"{one['record']}: untouched since it was sealed; SHA-256 {one['digest']}"]
    lines = [f"{one['record']}: CHANGED since it was sealed"]
    for change in one["changes"]:
        what = f" ({change['what']})" if change["what"] else ""
        lines.append(f"  {change['where']}{what}")
    return lines
