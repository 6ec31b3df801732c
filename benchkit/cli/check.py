"""benchkit check"""

from __future__ import annotations

import typer

from benchkit.cli.arguments import BenchOption, JsonOption, SequenceArgument

__all__ = ["check"]


def check(sequence: SequenceArgument, bench: BenchOption = None, as_json: JsonOption = False) -> None:
    """Read both files, prove the plan harmless and say what would be done. Touches no instrument."""
    import json

    from benchkit.cli.overview import overview, print_overview
    from benchkit.envelope import prove
    from benchkit.plan.files import load_both

    loaded, on_bench = load_both(sequence, bench)
    envelope = prove(loaded, on_bench)
    summary = overview(loaded, on_bench, envelope)
    if as_json:
        typer.echo(json.dumps(summary, indent=2))
    else:
        print_overview(summary)
