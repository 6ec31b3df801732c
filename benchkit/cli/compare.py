"""benchkit compare"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchkit.cli.arguments import JsonOption

__all__ = ["compare"]


def compare(
    first: Annotated[Path, typer.Argument(metavar="A", help="A record.")],
    others: Annotated[
        list[Path], typer.Argument(metavar="B...", help="Records, or tables of earlier results (.csv); each is held against A.")
    ],
    out: Annotated[Path | None, typer.Option("--out", help="Also write it here, with plots of both (HTML); for one B.")] = None,
    every_row: Annotated[bool, typer.Option("--all", help="Every row, not only the worst.")] = False,
    as_json: JsonOption = False,
) -> None:
    """
    Say whether two records agree within their uncertainties, parameter by parameter (En number), and what may be the cause.

    Exit code 0: all |En| <= 1, but for the few that chance puts beyond (5 % of at least 20, none beyond 2); 1: they do not agree.
    """
    import json

    from benchkit.campaign.compare import compare_files, to_data
    from benchkit.campaign.compare_text import text_lines
    from benchkit.errors import FileError, Mistake

    if out is not None and len(others) > 1:
        raise FileError([Mistake("command line", None, "--out", "holds one comparison; give one B, or leave it out")])
    found = [compare_files(first, other) for other in others]
    if out is not None:
        from benchkit.report.agreement import write_agreement

        write_agreement(found[0], first, others[0], out)
    if as_json:
        data = [to_data(one) for one in found]
        typer.echo(json.dumps(data[0] if len(data) == 1 else data, indent=2))
    else:
        for number, one in enumerate(found):
            if len(found) > 1:
                typer.echo(f"{'' if number == 0 else chr(10)}== {one.first} and {one.second}")
            for line in text_lines(one, every_row=every_row):
                typer.echo(line)
        if out is not None:
            typer.echo(f"page: {out}")
    raise typer.Exit(0 if all(one.agrees for one in found) else 1)
