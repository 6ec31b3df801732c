"""benchkit repeat"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchkit.cli.arguments import JsonOption, NotifyOption, OperatorOption, OutOption

__all__ = ["repeat"]


def repeat(
    record: Annotated[Path, typer.Argument(metavar="RECORD", help="The record to run again.")],
    on: Annotated[
        Path | None, typer.Option("--on", metavar="BENCH", help="Bench file of today; default: the one in the record.")
    ] = None,
    unit: Annotated[str, typer.Option("--unit", help="Serial number on the bench; default: the record's.")] = "",
    out: OutOption = None,
    operator: OperatorOption = "",
    rehearse: Annotated[
        bool | None,
        typer.Option("--rehearse/--run", help="On the twin, or on the bench; default: as the record was made."),
    ] = None,
    seed: Annotated[int | None, typer.Option("--seed", help="Of the simulated bench; default: the record's.")] = None,
    page: Annotated[Path | None, typer.Option("--page", help="Also write the comparison, with plots (HTML).")] = None,
    notify: NotifyOption = None,
    as_json: JsonOption = False,
) -> None:
    """
    Run a record's sequence again, from the record alone, and say whether the two agree within their uncertainties.

    Says first what is not as it was. Exit code 0: they agree; 1: they do not; 2, 3, 4, 130: the second run did not get through.
    """
    import json

    from benchkit.bench.load import load_bench
    from benchkit.campaign.compare import to_data
    from benchkit.campaign.compare_text import text_lines
    from benchkit.campaign.repeat import plan_repeat
    from benchkit.cli.carry_out import targets
    from benchkit.cli.files import new_record_path
    from benchkit.cli.progress import TerminalProgress
    from benchkit.errors import RecordExistsError
    from benchkit.plan import estimate, make_plan

    def say(text: str) -> None:
        if not as_json:
            typer.echo(text)

    if page is not None and page.exists():
        raise RecordExistsError(f"{page} exists; benchkit never overwrites: choose another --page, or move it away")
    planned = plan_repeat(
        record, bench=None if on is None else load_bench(on), unit=unit, simulated=rehearse, seed=seed, say=say
    )
    new = out or new_record_path(planned.sequence, planned.unit, "repeat")
    if new.exists():
        raise RecordExistsError(f"{new} exists; benchkit never overwrites: choose another --out, or move it away")
    say(f"repeating {record}: unit {planned.unit}, {'on the twin' if planned.simulated else 'on the bench'}")
    if planned.differences:
        say("not as it was (then -> now):")
    for one in planned.differences:
        say(f"  {one}")
    if not planned.differences:
        say("everything that the record knows of is as it was")
    plan = make_plan(planned.sequence.file)
    expected_s = estimate(plan, planned.sequence.file, planned.bench.file).total_s
    with TerminalProgress(plan.point_count, expected_s, virtual=planned.simulated) as progress:
        done = planned.carry_out(new, operator=operator, progress=progress, notify=targets(notify))
    if done.comparison is not None and page is not None:
        from benchkit.report.agreement import write_agreement

        write_agreement(done.comparison, record, done.run.record, page)
    if as_json:
        data = {
            "record": str(done.run.record),
            "outcome": done.run.outcome,
            "message": done.run.message,
            "exit_code": done.exit_code,
            "not_safe": done.run.make_safe,
            "differences": [vars(one) for one in planned.differences],
            "comparison": None if done.comparison is None else to_data(done.comparison),
        }
        typer.echo(json.dumps(data, indent=2))
        raise typer.Exit(done.exit_code)
    say(f"repeat: {done.run.message}")
    if done.run.make_safe:
        typer.echo(f"WARNING: {done.run.make_safe}", err=True)
        typer.echo("WARNING: the part may still be powered. Switch RF off, then drain, then gate, by hand.", err=True)
    say(f"record: {done.run.record}")
    if done.comparison is not None:
        for line in text_lines(done.comparison):
            typer.echo(line)
    raise typer.Exit(done.exit_code)
