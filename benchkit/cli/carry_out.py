"""What `run` and `rehearse` have in common: load, carry out with a progress bar, say how it ended, exit with its code."""

from __future__ import annotations

import json
import os
import shlex
import time
from collections.abc import Callable, Iterable
from itertools import islice
from pathlib import Path
from typing import Any, NoReturn

import typer

from benchkit.campaign import CampaignOutcome
from benchkit.campaign.compare_text import where_text
from benchkit.campaign.faults import account_lines
from benchkit.campaign.pacing import pace_of_all
from benchkit.cli.errors import log_unforeseen
from benchkit.cli.files import new_record_path
from benchkit.cli.overview import duration
from benchkit.cli.progress import TerminalProgress
from benchkit.envelope import prove
from benchkit.errors import BenchkitError, FileError, Mistake, RecordExistsError
from benchkit.notify import NotifySettings, command_target
from benchkit.plan import estimate
from benchkit.plan.files import load_both
from benchkit.results.verdict import Verdict

__all__ = ["carry_out", "end", "targets"]

MOST_UNMET = 8


def carry_out(
    what: str,
    campaign: Callable[..., CampaignOutcome],
    sequence_path: Path,
    bench_path: Path | None,
    unit: str,
    operator: str,
    out: Path | None,
    report: Path | None,
    link_log: bool,
    as_json: bool,
    earlier: tuple[Path, ...] = (),
    **options: Any,
) -> None:
    """Carry out one campaign from the command line; leaves by typer.Exit with the campaign's code."""
    _check_unit(unit)
    sequence, bench = load_both(sequence_path, bench_path)
    record = out or new_record_path(sequence, unit, what)
    for option, path in (("--out", record), ("--report", report)):
        if path is not None:
            _check_new(option, path)
    envelope = prove(sequence, bench)
    # A rehearsal's times and a real run's are not the same, unless the bench file is as good as it says.
    pace = pace_of_all(earlier, bench.file.bench, simulated=False if what == "run" else None)
    expected_s = estimate(envelope.plan, sequence.file, bench.file, pace=pace).total_s
    log = record.with_suffix(".links.log") if link_log else None
    begun_s = time.monotonic()
    told = [*(bench.file.notify if what == "run" else ()), *options.get("notify", ())]
    for target in told:
        typer.echo(f"tells on {' and '.join(target.when)}: {target.way}", err=True)
    begins = "bench time" if what == "rehearsal" else "from now"
    typer.echo(f"about {duration(expected_s)} {begins}; `benchkit check` lists the stages", err=True)
    with TerminalProgress(envelope.plan.point_count, expected_s, virtual=what == "rehearsal") as progress:
        outcome = campaign(
            sequence, bench, record, unit=unit, operator=operator, progress=progress, link_log=log, pace=pace,
            **options
        )
    if report is not None:
        from benchkit.report import write_report

        write_report([record], report)
    end(what, outcome, report, time.monotonic() - begun_s, as_json, account_lines(record))


def end(
    what: str, outcome: CampaignOutcome, report: Path | None, took_s: float, as_json: bool, lines: Iterable[str] = ()
) -> NoReturn:
    """Say how a campaign ended, and leave with its code."""
    if as_json:
        typer.echo(json.dumps(_as_data(outcome, report), indent=2))
    else:
        _say(what, outcome, report, took_s)
        for line in lines:
            typer.echo(line)
    if outcome.error is not None and not isinstance(outcome.error, BenchkitError) and outcome.outcome == "error":
        typer.echo(f"benchkit: a fault in benchkit; please attach {log_unforeseen(outcome.error)}", err=True)
    raise typer.Exit(outcome.exit_code)


def targets(commands: list[str] | None) -> tuple[NotifySettings, ...]:
    """
    What `--notify` names.

    Raises:
        FileError: An empty command.
    """
    try:
        return tuple(command_target(command) for command in commands or ())
    except ValueError:
        message = "is empty; expected a program and its arguments"
        raise FileError([Mistake("command line", None, "--notify", message)]) from None


def _check_unit(unit: str) -> None:
    """A serial number that a label, a file name and a table can hold."""
    if not unit.strip() or not unit.isprintable() or set(unit) & set('/\\:*?"<>|'):
        expected = "expected letters, digits and - _ . such as L07-W1-01"
        raise typer.BadParameter(f"{unit!r} is no serial number; {expected}", param_hint="--unit")


def _check_new(option: str, path: Path) -> None:
    """Found before the run, not after a night."""
    if path.exists():
        raise RecordExistsError(f"{path} exists; benchkit never overwrites: choose another name, or move it away")
    folder = path.resolve().parent
    if not folder.is_dir():
        raise typer.BadParameter(f"there is no folder {folder}; make it first", param_hint=option)
    if not os.access(folder, os.W_OK):
        raise typer.BadParameter(f"the folder {folder} cannot be written to", param_hint=option)


def _say(what: str, outcome: CampaignOutcome, report: Path | None, took_s: float) -> None:
    counts: dict[str, int] = {}
    for verdict in outcome.verdicts:
        counts[verdict.outcome] = counts.get(verdict.outcome, 0) + 1
    typer.echo(f"{what}: {outcome.message} ({duration(took_s)})")
    if outcome.make_safe:
        typer.echo(f"WARNING: {outcome.make_safe}", err=True)
        typer.echo("WARNING: the part may still be powered. Switch RF off, then drain, then gate, by hand.", err=True)
    elif outcome.outcome != "done":
        typer.echo("the bench was made safe: RF off, drain off, gate off, each read back")
    if outcome.verdicts:
        typer.echo("expectations: " + ", ".join(f"{count} {name}" for name, count in counts.items()))
        unmet = dict.fromkeys(_unmet(verdict) for verdict in outcome.verdicts if verdict.outcome != "pass")
        for line in islice(unmet, MOST_UNMET):
            typer.echo(f"  {line}")
        if len(unmet) > MOST_UNMET:
            typer.echo(f"  and {len(unmet) - MOST_UNMET} more: the report has all")
    marked = sum(bool(result.note) for result in outcome.results)
    if marked:
        why = "the bench had drifted, or repeats lie apart; each note says by how much"
        typer.echo(f"marked: {marked} of {len(outcome.results)} results: {why}")
    typer.echo(f"record: {outcome.record}")
    if outcome.outcome != "done":
        typer.echo(f"to go on where it ended: benchkit resume {shlex.quote(str(outcome.record))}")
    if report is not None:
        typer.echo(f"report: {report}")


def _unmet(verdict: Verdict) -> str:
    one = verdict.result
    what = "" if one is None else f"{one.parameter} {one.qualifier}".rstrip()
    place = "" if one is None else where_text(one.condition)
    return f"{verdict.outcome}: " + ", ".join(filter(None, [what, place, verdict.reason]))


def _as_data(outcome: CampaignOutcome, report: Path | None) -> dict[str, Any]:
    return {
        "outcome": outcome.outcome,
        "message": outcome.message,
        "exit_code": outcome.exit_code,
        "not_safe": outcome.make_safe,
        "record": str(outcome.record),
        "report": None if report is None else str(report),
        "results": len(outcome.results),
        "marked": sum(bool(result.note) for result in outcome.results),
        "verdicts": [verdict.outcome for verdict in outcome.verdicts],
    }
