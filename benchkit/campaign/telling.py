"""What a campaign tells to whom, and when: after the part is safe, and before the record is sealed, so that the record knows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from benchkit.clock import Clock
from benchkit.notify import Notifier, NotifySettings
from benchkit.results.verdict import Verdict

__all__ = ["Teller"]


class Teller:
    """
    Of one run. Never raises; costs a run without targets nothing.

    Args:
        targets: Whom to tell.
        facts: What every message says besides: record, unit, part...
        clock: The run's.
    """

    def __init__(self, targets: Sequence[NotifySettings], facts: Mapping[str, str | int | float], clock: Clock) -> None:
        self.targets = tuple(targets)
        self.facts = dict(facts)
        self._notifier = Notifier(targets, facts)
        self._clock = clock
        self._points = 0

    def see(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        """A row was acknowledged."""
        if not self.targets:
            return
        self._points += stream == "points"
        self._notifier.heard(self._clock.monotonic(), is_point=stream == "points")

    def ended(
        self, outcome: str, message: str, exit_code: int, not_safe: str, verdicts: Sequence[Verdict] = ()
    ) -> list[str]:
        """
        Tell how it ended, and wait a bounded time for that to have gone out.

        Returns:
            What failed, a line each.
        """
        if not self.targets:
            return []
        text = message if not not_safe else f"NOT VERIFIED SAFE: {not_safe}; {message}"
        self._notifier.tell(
            "trouble" if outcome != "done" or not_safe else "done",
            text,
            outcome=outcome,
            exit_code=exit_code,
            not_safe=not_safe,
            points=self._points,
            verdicts=dict(Counter(verdict.outcome for verdict in verdicts)),
            time_s=self._clock.now(),
        )
        return self._notifier.failures()
