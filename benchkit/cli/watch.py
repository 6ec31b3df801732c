"""benchkit watch"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from benchkit.cli.arguments import JsonOption

if TYPE_CHECKING:
    from collections.abc import Callable

    from benchkit.campaign.view import View, Viewer
    from benchkit.clock import Clock

__all__ = ["follow", "watch"]

# A record whose file is being replaced, or on a network that stutters, may fail to open once.
PATIENCE = 5


def watch(
    record: Annotated[Path, typer.Argument(metavar="RECORD", help="The record of a run, from any shell of this computer.")],
    once: Annotated[bool, typer.Option("--once", help="One look, and the end; for scripts.")] = False,
    every: Annotated[float, typer.Option("--every", min=0.2, max=3600, help="Seconds between two looks.")] = 1.0,
    as_json: JsonOption = False,
) -> None:
    """
    Watch a run from another shell: state, bias, temperatures, the last ladder, events, time left. Only reads.

    Ends when the record is sealed or on Ctrl-C (exit code 0); 3 when the guardian had to end the run.
    """
    from benchkit.campaign.signals import Interrupter
    from benchkit.campaign.view import Viewer
    from benchkit.cli.watch_text import view_lines
    from benchkit.clock import WallClock
    from benchkit.errors import Interrupted

    clock, viewer = WallClock(), Viewer(record)
    if once or as_json:
        view = viewer.look(clock.now())
        if as_json:
            typer.echo(_as_json(view))
        else:
            for line in view_lines(view):
                typer.echo(line)
        raise typer.Exit(3 if view.account else 0)
    try:
        # A shell starts background jobs with SIGINT ignored; a watch that is told to end ends there, too.
        with Interrupter():
            view = _live(viewer, clock, every)
    except Interrupted:
        raise typer.Exit(0) from None
    raise typer.Exit(3 if view.account else 0)


def _live(viewer: Viewer, clock: Clock, every_s: float) -> View:
    from rich.console import Console
    from rich.live import Live
    from rich.text import Text

    from benchkit.cli.watch_text import changes, view_lines

    console = Console(highlight=False)
    if not console.is_terminal:

        def tell(before: View | None, now: View) -> None:
            for line in changes(before, now):
                print(line, flush=True)

        return follow(viewer, clock, every_s, tell)
    with Live(console=console, auto_refresh=False) as live:

        def draw(_: View | None, now: View) -> None:
            live.update(Text("\n".join(view_lines(now))), refresh=True)

        return follow(viewer, clock, every_s, draw)


def follow(viewer: Viewer, clock: Clock, every_s: float, show: Callable[[View | None, View], None]) -> View:
    """
    Look, show, wait, until there is nothing more to come.

    Args:
        show: Called with the view before (None at first) and the view now.

    Returns:
        The last view.

    Raises:
        FormatError: Not a record; or it can't be opened any more, several times in a row.
    """
    from benchkit.errors import FormatError

    before: View | None = None
    failures = 0
    while True:
        try:
            now = viewer.look(clock.now())
        except FormatError:
            failures += 1
            if before is None or failures >= PATIENCE:
                raise
        else:
            failures = 0
            show(before, now)
            if now.is_over:
                return now
            before = now
        clock.sleep(every_s)


def _as_json(view: View) -> str:
    import json
    import math
    from dataclasses import asdict
    from typing import Any

    def plain(value: Any) -> Any:
        if isinstance(value, dict):
            return {name: plain(item) for name, item in value.items()}
        if isinstance(value, list | tuple):
            return [plain(item) for item in value]
        return None if isinstance(value, float) and not math.isfinite(value) else value

    return json.dumps(plain(asdict(view)), indent=2)
