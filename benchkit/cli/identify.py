"""benchkit identify"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from benchkit.cli.arguments import JsonOption

__all__ = ["identify"]


def identify(
    bench: Annotated[Path, typer.Option("--bench", help="Bench file (YAML).")], as_json: JsonOption = False
) -> None:
    """Ask every instrument on the bench who it is: role, address, identity, options, error queue."""
    import json
    from dataclasses import asdict

    from benchkit.bench.identify import identify_bench
    from benchkit.bench.load import load_bench
    from benchkit.clock import WallClock

    rows = identify_bench(load_bench(bench), WallClock())
    if as_json:
        typer.echo(json.dumps([asdict(row) for row in rows], indent=2))
    else:
        for row in rows:
            typer.echo(f"{row.name}  ({row.role}, {row.address})")
            if row.trouble:
                typer.echo(f"    DID NOT ANSWER: {row.trouble}")
                continue
            typer.echo(f"    {row.maker} {row.model}, serial {row.serial}, firmware {row.firmware}")
            typer.echo(f"    options: {row.options or 'none'}")
            typer.echo(f"    error queue: {'; '.join(row.errors) or 'empty'}")
    silent = sum(bool(row.trouble) for row in rows)
    if silent:
        typer.echo(f"{silent} of {len(rows)} instruments did not answer", err=True)
        raise typer.Exit(3)
