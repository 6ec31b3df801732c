"""
Looks at the time before each condition and each ladder: what does not fit any more is dropped, least important first, and told.

What does not fit is dropped only when its turn comes, since a run that gets ahead of its estimate may have time for it then. A
ladder that was begun is measured to its end, and a soak too; so the end may be late by one of these, and by what the estimate
is off.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from benchkit.clock import Clock
from benchkit.engine.journalist import Events
from benchkit.engine.stages import DROPPED, Stages
from benchkit.plan.budget import TimeBudget
from benchkit.plan.plan import Condition, Plan
from benchkit.sequence.deadline import deadline_s

__all__ = ["DROPPED_EVENT", "Timekeeper"]

DROPPED_EVENT = "dropped"


class Timekeeper:
    """
    One run's.

    Args:
        be_done_by: As the sequence or the command line says it; "": no matter when.
        budget: Made when there is a time to keep.
    """

    def __init__(
        self, be_done_by: str, budget: Callable[[], TimeBudget], plan: Plan, stages: Stages, events: Events, clock: Clock
    ) -> None:
        self._text = be_done_by
        self._budget = budget() if be_done_by else None
        self._plan, self._stages, self._events, self._clock = plan, stages, events, clock
        self._deadline_s = deadline_s(be_done_by, clock.now()) if be_done_by else float("inf")
        self._taken: dict[int, tuple[int, float]] = {}

    def begin(self) -> None:
        """Say what is to be kept."""
        if self._budget is not None:
            left_s = self._deadline_s - self._clock.now()
            fit = self._budget.fit(self._stages.left_units, left_s)
            too_much = sum(self._stages.left_units[unit] for unit in fit.dropped)
            self._events.note(
                "time budget",
                f"to be done by {self._text}, that is by {_local(self._deadline_s)}: {_minutes(left_s)}; all that is left takes "
                f"about {_minutes(fit.needed_s)}, the way back to idle included"
                + (f"; as it looks now, {too_much} ladders will have to be dropped" if too_much else ""),
                "warning" if too_much else "info",
            )

    def took(self, measurement: int, time_s: float) -> None:
        """How long a ladder of a measurement took: better known than estimated. [s]"""
        count, total_s = self._taken.get(measurement, (0, 0.0))
        self._taken[measurement] = count + 1, total_s + time_s

    def look(self, here_degc: float | None, turn: Condition, *, is_biased: bool) -> None:
        """
        Drop what does not fit any more of what is about to be measured.

        Args:
            here_degc: Where the chamber stands. [degC]
            turn: The condition whose turn it is.
            is_biased: The part is biased for it already.
        """
        if self._budget is None:
            return
        time_s = self._deadline_s - self._clock.now()
        measured_s = {measurement: total_s / count for measurement, (count, total_s) in self._taken.items()}
        fit = self._budget.fit(
            self._stages.left_units, time_s, here_degc=here_degc, present=turn if is_biased else None, measured_s=measured_s
        )
        for unit in fit.dropped:
            if unit[0] != turn.index:
                continue
            condition, block = self._budget.condition(unit), self._plan.measurements[unit[1]]
            times = f"{_minutes(fit.needed_s)} needed, {_minutes(time_s)} left"
            reason = f"priority {block.priority}; be_done_by {self._text}: {times}"
            count = self._stages.skip(condition, reason, status=DROPPED, measurements=(unit[1],))
            self._events.note(
                DROPPED_EVENT,
                f"{condition}: {block.title}, {count} ladder{'s' if count > 1 else ''} dropped ({reason})",
                "warning",
            )


def _minutes(time_s: float) -> str:
    return f"{time_s:.0f} s" if abs(time_s) < 120 else f"{time_s / 60:.0f} min"


def _local(time_s: float) -> str:
    return datetime.fromtimestamp(time_s).astimezone().strftime("%Y-%m-%d %H:%M %Z")
