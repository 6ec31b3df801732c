"""benchkit drill"""

from __future__ import annotations

from typing import Annotated

import typer

from benchkit.cli.arguments import BenchOption, JsonOption, SequenceArgument

__all__ = ["drill"]


def drill(
    sequence: SequenceArgument,
    bench: BenchOption = None,
    instants: Annotated[int, typer.Option("--instants", min=1, max=10_000, help="Moments for each fault.")] = 20,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Of the moments and of the simulated bench.")] = 1,
    fault: Annotated[
        list[str] | None, typer.Option("--fault", metavar="NAME", help="Only this fault; may be given several times.")
    ] = None,
    jobs: Annotated[int, typer.Option("--jobs", min=1, max=256, help="Processes.")] = 2,
    every: Annotated[bool, typer.Option("--every", help="One line for each drill, not one for each fault.")] = False,
    list_faults: Annotated[bool, typer.Option("--list", help="Say which faults there are, and drill nothing.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Rehearse with every fault at many moments: does the device stay whole, does the record? Exit code 1: not always."""
    import json
    import sys

    from benchkit.drill import Row, drill_table, offers
    from benchkit.drill import drill as drill_all
    from benchkit.plan.files import load_both

    if list_faults:
        _, on_bench = load_both(sequence, bench)
        for offer in offers(on_bench):
            where = f" (in {', '.join(offer.instruments)})" if offer.instruments else ""
            typer.echo(f"{offer.name:18} {offer.tells}{where}")
        return
    tenth = [0]

    def tell(row: Row, done: int, of: int) -> None:
        for failure in row.failures:
            print(f"FAILED {row.fault}: {failure}", file=sys.stderr, flush=True)
        if done * 10 // of > tenth[0]:
            tenth[0] = done * 10 // of
            print(f"  {done} of {of} drills", file=sys.stderr, flush=True)

    drilled = drill_all(sequence, bench, faults=fault or (), instants=instants, seed=seed, jobs=jobs, on_row=tell)
    if as_json:
        rows = [row.as_data() for row in drilled.rows]
        typer.echo(json.dumps({"drills": rows, "failed": len(drilled.failed), "left_out": list(drilled.left_out)}, indent=2))
    else:
        typer.echo(drill_table(drilled, sequence, bench, seed, every=every))
    if drilled.failed:
        raise typer.Exit(1)
