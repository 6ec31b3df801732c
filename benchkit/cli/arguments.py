"""Arguments that several verbs share, so that they read the same everywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

__all__ = [
    "BeDoneByOption",
    "BenchOption",
    "EarlierOption",
    "JsonOption",
    "LinkLogOption",
    "NotifyOption",
    "OperatorOption",
    "OutOption",
    "SequenceArgument",
]

SequenceArgument = Annotated[Path, typer.Argument(metavar="SEQUENCE", help="Sequence file (YAML).")]
BenchOption = Annotated[Path | None, typer.Option("--bench", help="Bench file (YAML); default: the one the sequence names.")]
OutOption = Annotated[
    Path | None, typer.Option("--out", help="Record to write (HDF5); default: a new name here. Never overwritten.")
]
OperatorOption = Annotated[str, typer.Option("--operator", help="Who runs it; default: the user's login name.")]
LinkLogOption = Annotated[
    bool, typer.Option("--link-log", help="Write everything sent and received, with its time, beside the record.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="For machines: one JSON document on standard output.")]
NotifyOption = Annotated[
    list[str] | None,
    typer.Option(
        "--notify",
        metavar="COMMAND",
        help="Run this on trouble and when done, with a JSON message on its standard input; may be given several times.",
    ),
]


def _be_done_by(text: str) -> str:
    """As the sequence's key takes it; empty when it was not given."""
    from benchkit.sequence.deadline import check_be_done_by

    try:
        return check_be_done_by(text) if text else ""
    except ValueError as error:
        raise typer.BadParameter(str(error)) from None


BeDoneByOption = Annotated[
    str,
    typer.Option(
        "--be-done-by",
        metavar="TIME",
        callback=_be_done_by,
        help="Time of day (07:30) or how long (9h); what does not fit is dropped, measurements of the lowest priority first. "
        "Instead of conditions.be_done_by in the sequence.",
    ),
]
EarlierOption = Annotated[
    list[Path] | None,
    typer.Option(
        "--earlier",
        metavar="RECORD|FOLDER",
        help="Earlier records of this bench, or a folder of records: the time estimate is refined by how long things took there. "
        "May be given several times.",
    ),
]
