"""benchkit report"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["report"]


def report(
    records: Annotated[list[Path], typer.Argument(metavar="RECORD...", help="One or several records.")],
    out: Annotated[Path | None, typer.Option("--out", help="HTML file to write; default: the first record's name.")] = None,
) -> None:
    """Write one self-contained HTML report over one or several records."""
    from benchkit.report import write_report

    typer.echo(f"report: {write_report(records, out or records[0].with_suffix('.html'))}")
