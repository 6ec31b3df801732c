"""
The command line: one file per verb, one error handler, exit codes with meanings.

0 done and within expectations; 1 done, but the device is outside them; 2 the files or arguments are wrong; 3 the bench let us
down (made safe); 4 a limit was reached (made safe); 130 interrupted (made safe).

A verb's file imports what it needs inside its function, so that `--help` stays quick.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from typing import Annotated

import typer

import benchkit
from benchkit.cli.check import check
from benchkit.cli.compare import compare
from benchkit.cli.drill import drill
from benchkit.cli.errors import report_error
from benchkit.cli.export import export
from benchkit.cli.guide import guide
from benchkit.cli.identify import identify
from benchkit.cli.list_records import list_records
from benchkit.cli.rehearse import rehearse
from benchkit.cli.repeat import repeat
from benchkit.cli.report import report
from benchkit.cli.resume import resume
from benchkit.cli.run import run
from benchkit.cli.schema import schema
from benchkit.cli.verify import verify
from benchkit.cli.watch import watch

__all__ = ["app", "main"]

app = typer.Typer(
    name="benchkit",
    help="From a sequence file to an amplifier's data sheet. Rehearse before you run; check before you rehearse.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # plain help: it reads the same in a log, and starts in half the time
)


def _version(asked: bool) -> None:
    if asked:
        typer.echo(f"benchkit {benchkit.__version__}")
        raise typer.Exit


@app.callback()
def _root(
    _: Annotated[bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")] = False,
) -> None:
    """From a sequence file to an amplifier's data sheet. Rehearse before you run; check before you rehearse."""
    from benchkit.guardian.notices import take_notices

    for notice in take_notices():
        typer.echo(str(notice), err=True)


for _verb in (check, identify, rehearse, drill, run, resume, watch, repeat, compare, report, export, verify, schema, guide):
    app.command()(_verb)
app.command("list")(list_records)  # `list` is Python's own word


def main(arguments: Sequence[str] | None = None) -> None:
    """Entry point of the `benchkit` command, with this process's arguments by default; its exit code says how it went."""
    try:
        app(arguments)
    except SystemExit:
        raise
    except BaseException as error:  # noqa: BLE001 - the one handler; it turns every error into a message and an exit code
        sys.exit(report_error(error))
