"""benchkit resume"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchkit.cli.arguments import BeDoneByOption, JsonOption, NotifyOption

__all__ = ["resume"]


def resume(
    record: Annotated[Path, typer.Argument(metavar="RECORD", help="The record of a run that did not get to its end.")],
    bench: Annotated[
        Path | None, typer.Option("--bench", help="Bench file of today; default: the one in the record.")
    ] = None,
    accept: Annotated[bool, typer.Option("--accept", help="Go on although something is not as it was.")] = False,
    report: Annotated[Path | None, typer.Option("--report", help="Also write the report here (HTML).")] = None,
    be_done_by: BeDoneByOption = "",
    notify: NotifyOption = None,
    as_json: JsonOption = False,
) -> None:
    """
    Go on where a run ended, in the same record: killed, interrupted, or stopped by a limit or the bench.

    Finished ladders are not repeated; an unfinished one is measured again from its start, and its torn attempt kept. Says first
    what is not as it was, and then goes on only with --accept.
    """
    import json
    import time

    from benchkit.bench.load import load_bench
    from benchkit.campaign.resume import plan_resume
    from benchkit.cli.carry_out import end, targets
    from benchkit.cli.overview import duration
    from benchkit.cli.progress import TerminalProgress
    from benchkit.errors import RecordExistsError

    def say(text: str) -> None:
        if not as_json:
            typer.echo(text)

    if report is not None and report.exists():
        raise RecordExistsError(f"{report} exists; benchkit never overwrites: choose another name, or move it away")
    planned = plan_resume(record, bench=None if bench is None else load_bench(bench), say=say)
    ladders = planned.envelope.plan.ladder_count
    if planned.nothing_to_do:
        text = f"{record}: nothing to do: all {ladders} ladders are finished; it ended: {planned.former}"
        if as_json:
            typer.echo(json.dumps({"outcome": "nothing to do", "message": text, "exit_code": 0, "record": str(record)}, indent=2))
        say(text)
        raise typer.Exit(0)
    where = "on the twin" if planned.simulated else "on the bench"
    say(f"resuming {record}: unit {planned.unit}, {where}; it ended: {planned.former}")
    say(
        f"{len(planned.standing.finished)} of {ladders} ladders are finished; {planned.ladders_left} to measure, about "
        f"{duration(planned.left_s)}"
    )
    if planned.differences:
        say("not as it was (then -> now):")
    for one in planned.differences:
        say(f"  {one}")
    if planned.differences and not accept:
        text = "something is not as it was; nothing was energised. Look at the list, and say --accept to go on all the same"
        if as_json:
            listed = [vars(one) for one in planned.differences]
            data = {"outcome": "refused", "message": text, "exit_code": 2, "record": str(record), "differences": listed}
            typer.echo(json.dumps(data, indent=2))
        else:
            typer.echo(f"benchkit: {text}", err=True)
        raise typer.Exit(2)
    begun_s = time.monotonic()
    with TerminalProgress(planned.points_left, planned.left_s, virtual=planned.simulated) as progress:
        outcome = planned.carry_out(progress=progress, be_done_by=be_done_by, notify=targets(notify))
    if report is not None:
        from benchkit.report import write_report

        write_report([record], report)
    end("resume", outcome, report, time.monotonic() - begun_s, as_json)
