"""benchkit report"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["report"]


def report(
    records: Annotated[list[Path], typer.Argument(metavar="RECORD...", help="One or several records.")],
    out: Annotated[Path | None, typer.Option("--out", help="HTML file to write; default: the first record's name.")] = None,
    monte_carlo: Annotated[
        int,
        typer.Option("--monte-carlo", metavar="TRIALS", help="Hold each budget against Monte Carlo, e.g. of 100000 trials."),
    ] = 0,
) -> None:
    """Write one self-contained HTML report over one or several records."""
    from benchkit.report import write_report
    from benchkit.report.write import FEWEST_TRIALS, MOST_TRIALS

    if monte_carlo and not FEWEST_TRIALS <= monte_carlo <= MOST_TRIALS:
        raise typer.BadParameter(f"{monte_carlo}; expected {FEWEST_TRIALS} to {MOST_TRIALS} trials", param_hint="--monte-carlo")
    typer.echo(f"report: {write_report(records, out or records[0].with_suffix('.html'), monte_carlo=monte_carlo)}")
