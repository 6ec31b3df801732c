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


def export(
    record: Annotated[Path, typer.Argument(metavar="RECORD", help="A record.")],
    to: Annotated[Format, typer.Option("--to", help="File format.")],
    out: Annotated[Path | None, typer.Option("--out", help="Folder to write into; default: named after the record.")] = None,
) -> None:
    """Write a record's points, ladders, events, chamber log and results as CSV or Parquet files, one per table."""
    from benchkit.record import Record, export_csv, export_parquet

    folder = out or record.with_suffix("." + to.value)
    with Record.open(record) as opened:
        written = (export_csv if to is Format.CSV else export_parquet)(opened, folder)
    for path in written:
        typer.echo(str(path))
