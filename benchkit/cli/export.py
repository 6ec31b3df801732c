"""benchkit export"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

__all__ = ["export"]


class Format(StrEnum):
    CSV = "csv"
    PARQUET = "parquet"
    TOUCHSTONE = "touchstone"


def export(
    record: Annotated[Path, typer.Argument(metavar="RECORD", help="A record.")],
    to: Annotated[Format, typer.Option("--to", help="File format.")],
    out: Annotated[Path | None, typer.Option("--out", help="Folder to write into; default: named after the record.")] = None,
) -> None:
    """Write a record's tables as CSV or Parquet files, one per table; or its S-parameters as Touchstone, one per condition."""
    from benchkit.record import Record, export_csv, export_parquet, export_touchstone

    folder = out or record.with_suffix("." + to.value)
    with Record.open(record) as opened:
        changes = opened.changes() if opened.is_sealed else []
        if changes:
            typer.echo(f"WARNING: {record} was changed after it was sealed: {', '.join(changes)}", err=True)
        write = {Format.CSV: export_csv, Format.PARQUET: export_parquet, Format.TOUCHSTONE: export_touchstone}[to]
        written = write(opened, folder)
    for path in written:
        typer.echo(str(path))
