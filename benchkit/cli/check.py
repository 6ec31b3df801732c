"""benchkit check"""

from __future__ import annotations

import typer

from benchkit.cli.arguments import BeDoneByOption, BenchOption, EarlierOption, JsonOption, SequenceArgument

__all__ = ["check"]


def check(
    sequence: SequenceArgument,
    bench: BenchOption = None,
    be_done_by: BeDoneByOption = "",
    earlier: EarlierOption = None,
    as_json: JsonOption = False,
) -> None:
    """Read both files, prove the plan harmless and say what would be done. Touches no instrument."""
    import json

    from benchkit.cli.overview import overview, print_overview
    from benchkit.envelope import prove
    from benchkit.plan import NO_PACE
    from benchkit.plan.files import load_both

    loaded, on_bench = load_both(sequence, bench)
    envelope = prove(loaded, on_bench)
    pace = NO_PACE
    if earlier:
        # Late: it reads records, and `check` alone starts faster without.
        from benchkit.campaign.pacing import pace_of_all

        pace = pace_of_all(earlier, on_bench.file.bench, simulated=None)
    summary = overview(loaded, on_bench, envelope, pace, be_done_by)
    if as_json:
        typer.echo(json.dumps(summary, indent=2))
    else:
        print_overview(summary)
