"""benchkit run"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchkit.cli.arguments import (
    BeDoneByOption,
    EarlierOption,
    JsonOption,
    LinkLogOption,
    NotifyOption,
    OperatorOption,
    OutOption,
    SequenceArgument,
)

__all__ = ["run"]


def run(
    sequence: SequenceArgument,
    bench: Annotated[Path, typer.Option("--bench", help="Bench file (YAML).")],
    unit: Annotated[str, typer.Option("--unit", help="Serial number of the part on the bench.")],
    operator: OperatorOption = "",
    out: OutOption = None,
    report: Annotated[Path | None, typer.Option("--report", help="Also write the report here (HTML).")] = None,
    link_log: LinkLogOption = False,
    notify: NotifyOption = None,
    be_done_by: BeDoneByOption = "",
    earlier: EarlierOption = None,
    as_json: JsonOption = False,
) -> None:
    """Run the sequence on the bench, in real time. Ctrl-C makes safe: RF off, drain off, gate off."""
    from benchkit import campaign
    from benchkit.cli.carry_out import carry_out, targets

    carry_out(
        "run", campaign.run, sequence, bench, unit, operator, out, report, link_log, as_json, notify=targets(notify),
        earlier=tuple(earlier or ()), be_done_by=be_done_by,
    )
