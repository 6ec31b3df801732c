"""benchkit report"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = ["report"]


def report(
    records: Annotated[list[Path], typer.Argument(metavar="RECORD...", help="One or several records.")],
    out: Annotated[Path | None, typer.Option("--out", help="HTML file to write; default: the first record's name.")] = None,
    tolerance: Annotated[
        str, typer.Option("--tolerance", metavar="COVERAGE/CONFIDENCE", help="Also tolerance intervals over units, e.g. 95/90.")
    ] = "",
    against: Annotated[
        list[str] | None,
        typer.Option(
            "--against",
            metavar="FILE[@CONDITION,...]",
            help="Simulated or earlier data beside the measured: Touchstone (.s2p) or CSV (frequency_hz, 'p1db [dBm]', ...). "
            "After an @ what it belongs to, e.g. sim.s2p@+25,A or off.s2p@+25,unpowered; default: 25 degC and all channels. May "
            "be given several times.",
        ),
    ] = None,
    occasion: Annotated[
        list[str] | None,
        typer.Option("--occasion", metavar="TEXT", help="Of each record in its order, e.g. wafer, package; default: the day."),
    ] = None,
    abridged: Annotated[
        bool,
        typer.Option("--abridged", help="Without tables in detail, events, budgets and exact texts: the page one sends along."),
    ] = False,
    monte_carlo: Annotated[
        int,
        typer.Option("--monte-carlo", metavar="TRIALS", help="Hold each budget against Monte Carlo, e.g. of 100000 trials."),
    ] = 0,
) -> None:
    """Write one self-contained HTML report over one or several records."""
    from benchkit.report import write_report
    from benchkit.report.options import ReportOptions, parse_against, parse_tolerance
    from benchkit.report.write import FEWEST_TRIALS, MOST_TRIALS

    options = ReportOptions(
        parse_tolerance(tolerance) if tolerance else None,
        tuple(parse_against(one) for one in against or ()),
        tuple(occasion or ()),
        abridged,
    )
    if abridged and monte_carlo:
        raise typer.BadParameter("an abridged report shows no budgets; leave one of the two out", param_hint="--monte-carlo")
    if monte_carlo and not FEWEST_TRIALS <= monte_carlo <= MOST_TRIALS:
        raise typer.BadParameter(f"{monte_carlo}; expected {FEWEST_TRIALS} to {MOST_TRIALS} trials", param_hint="--monte-carlo")
    typer.echo(f"report: {write_report(records, out or records[0].with_suffix('.html'), options, monte_carlo=monte_carlo)}")
