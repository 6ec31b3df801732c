"""A bar with point, condition and time left where there is a terminal; a line now and then where there is none."""

from __future__ import annotations

import sys
import time
from types import TracebackType

from benchkit.cli.overview import duration

__all__ = ["TerminalProgress"]

# Without a terminal, one line each time this part of the points is done.
PLAIN_STEPS = 10
REDRAW_S = 0.1


class TerminalProgress:
    """Implements benchkit.engine.Progress. Use as a context manager."""

    def __init__(self, planned: int, expected_s: float, *, virtual: bool) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn

        self._planned = max(1, planned)
        self._console = Console(stderr=True, highlight=False)
        self._terminal = self._console.is_terminal
        self._stage = ""
        self._last_s = 0.0
        self._plain = 0
        self._start_s = time.monotonic()
        self._expected_s = expected_s
        self._virtual = virtual
        self._bar = Progress(
            TextColumn("{task.fields[stage]}"),
            BarColumn(bar_width=30),
            TextColumn("{task.fields[points]}"),
            TextColumn("{task.fields[left]}"),
            console=self._console,
            transient=False,
            auto_refresh=False,
            disable=not self._terminal,
        )
        self._task = self._bar.add_task("", total=self._planned, stage="preparing", points="", left="")

    def __enter__(self) -> TerminalProgress:
        self._bar.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._bar.refresh()
        self._bar.stop()

    def stage(self, text: str) -> None:
        self._stage = text
        if self._terminal:
            self._bar.update(self._task, stage=text, refresh=True)
        else:
            print(text, file=sys.stderr, flush=True)

    def point(self, done: int, skipped: int) -> None:
        now_s = time.monotonic()
        behind = done + skipped
        if self._terminal:
            if now_s - self._last_s >= REDRAW_S or behind >= self._planned:
                self._last_s = now_s
                self._bar.update(
                    self._task, completed=behind, points=f"point {done}", left=self._left(behind, now_s), refresh=True
                )
        elif behind * PLAIN_STEPS // self._planned > self._plain:
            self._plain = behind * PLAIN_STEPS // self._planned
            left = self._left(behind, now_s)
            print(f"  {100 * behind // self._planned} %, point {done}{left and f', {left}'}", file=sys.stderr, flush=True)

    def waiting(self, text: str) -> None:
        now_s = time.monotonic()
        if self._terminal and now_s - self._last_s >= REDRAW_S:
            self._last_s = now_s
            self._bar.update(self._task, stage=text, refresh=True)

    def _left(self, behind: int, now_s: float) -> str:
        """Time left by the estimate, corrected by how the run has gone so far; a rehearsal's bench time is not real time."""
        if self._virtual:
            return ""
        spent_s, part = now_s - self._start_s, behind / self._planned
        left_s = max(0.0, self._expected_s - spent_s) if part < 0.05 else spent_s * (1 - part) / part
        return f"{duration(left_s)} left"

