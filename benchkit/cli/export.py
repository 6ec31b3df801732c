"""benchkit export"""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from benchkit.record import Record

__all__ = ["export"]


class Format(StrEnum):
    CSV = "csv"
    PARQUET = "parquet"
    TOUCHSTONE = "touchstone"
    PATHS = "paths"
    FIGURES = "figures"
    DATASHEET = "datasheet"


class TouchstoneFormat(StrEnum):
    V1_1 = "1.1"
    V2_0 = "2.0"


def export(
    record: Annotated[Path, typer.Argument(metavar="RECORD", help="A record.")],
    to: Annotated[Format, typer.Option("--to", help="File format.")],
    out: Annotated[Path | None, typer.Option("--out", help="Folder to write into; default: named after the record.")] = None,
    touchstone_version: Annotated[
        TouchstoneFormat | None, typer.Option(help="Of --to touchstone: .s2p files (1.1, the default) or .ts files (2.0).")
    ] = None,
) -> None:
    """
    Write a record for other programs: its tables as CSV or Parquet files, one per table; its S-parameters as Touchstone, one
    file per condition; the paths it measured as a bench file's tables; every figure of its report as SVG and PNG; the data-sheet
    table as Markdown and CSV.
    """
    from benchkit.record import Record

    if touchstone_version is not None and to is not Format.TOUCHSTONE:
        raise typer.BadParameter(f"belongs to --to touchstone, not to --to {to.value}", param_hint="--touchstone-version")
    # A name that ends in .csv or .parquet would take the points alone.
    folder = out or record.with_name(f"{record.stem}_{to.value}")
    with Record.open(record) as opened:
        changes = opened.changes() if opened.is_sealed else []
        if changes:
            typer.echo(f"WARNING: {record} was changed after it was sealed: {', '.join(changes)}", err=True)
        written = _write(opened, to, folder, touchstone_version or TouchstoneFormat.V1_1)
    for path in written:
        typer.echo(str(path))


def _write(record: Record, to: Format, folder: Path, version: TouchstoneFormat) -> list[Path]:
    # Late, each for itself: a table needs no plots, and a plot no tables.
    if to is Format.TOUCHSTONE:
        from benchkit.record import export_touchstone

        return export_touchstone(record, folder, version=version.value)
    if to is Format.PATHS:
        from benchkit.record import export_paths

        return export_paths(record, folder)
    if to is Format.FIGURES:
        from benchkit.report import export_figures

        return export_figures(record.path, folder)
    if to is Format.DATASHEET:
        from benchkit.report import export_datasheet

        return export_datasheet([record.path], folder)
    from benchkit.record import export_csv, export_parquet

    return (export_csv if to is Format.CSV else export_parquet)(record, folder)
