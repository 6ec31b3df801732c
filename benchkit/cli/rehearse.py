"""benchkit rehearse"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchkit.cli.arguments import (
    BeDoneByOption,
    BenchOption,
    EarlierOption,
    JsonOption,
    LinkLogOption,
    NotifyOption,
    OperatorOption,
    OutOption,
    SequenceArgument,
)

__all__ = ["rehearse"]


def rehearse(
    sequence: SequenceArgument,
    bench: BenchOption = None,
    unit: Annotated[str, typer.Option("--unit", help="Serial number of the simulated unit; each has its spread.")] = "L07-W1-01",
    out: OutOption = None,
    operator: OperatorOption = "",
    seed: Annotated[int, typer.Option("--seed", help="Of the simulated bench; the part follows from --unit.")] = 1,
    fault: Annotated[
        list[str] | None,
        typer.Option(
            "--fault",
            metavar="NAME@WHEN",
            help="Goes wrong on purpose, e.g. gate-lost@12.5s, 'silent:output_meter@message 300', 'dies@point 20', "
            "level-jump@random:7; may be given several times. `benchkit drill SEQUENCE --list` says what there is.",
        ),
    ] = None,
    report: Annotated[Path | None, typer.Option("--report", help="Also write the report here (HTML).")] = None,
    link_log: LinkLogOption = False,
    notify: NotifyOption = None,
    be_done_by: BeDoneByOption = "",
    earlier: EarlierOption = None,
    as_json: JsonOption = False,
) -> None:
    """Run the sequence on the simulated bench, on a clock as fast as the computer: same engine, drivers and SCPI text."""
    from benchkit import campaign
    from benchkit.cli.carry_out import carry_out, targets

    carry_out(
        "rehearsal", campaign.rehearse, sequence, bench, unit, operator, out, report, link_log, as_json, seed=seed,
        faults=tuple(fault or ()), notify=targets(notify), earlier=tuple(earlier or ()),
        be_done_by=be_done_by,
    )
