"""
What is left of a plan while it is carried out: finished, failed, skipped, dropped. The record is told of each ladder that is not
measured, with its reason; whoever resumes the record measures it then.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping

from benchkit.clock import Clock
from benchkit.engine.journalist import Events, Sink
from benchkit.engine.standing import Standing
from benchkit.plan.plan import Condition, Plan

__all__ = ["DROPPED", "FAILED", "SKIPPED", "Stages"]

FAILED, SKIPPED, DROPPED = "failed", "skipped", "dropped"
"""Status of a ladder: begun, and it cannot give what it is for; not begun, by policy; not begun, for want of time."""

REASON_LENGTH = 96


class Stages:
    """
    One run's account of its ladders.

    Args:
        standing: What the record has already.
    """

    def __init__(self, plan: Plan, standing: Standing, sink: Sink, events: Events, clock: Clock) -> None:
        self._plan, self._standing = plan, standing
        self._sink, self._events, self._clock = sink, events, clock
        self._closed: dict[int, str] = {}
        self._again: Counter[int] = Counter()
        self._left: Counter[tuple[int, int]] | None = None

    def serials(self, condition: Condition, measurement: int) -> range:
        """Of the ladders of one measurement at one condition."""
        return self._plan.serials(condition, measurement)

    def is_left(self, serial: int) -> bool:
        """Whether a ladder is still to be measured in this run."""
        return serial not in self._standing.finished and serial not in self._closed

    def is_done(self, serial: int) -> bool:
        """Whether a ladder was measured to its end, in this run or before."""
        return serial in self._standing.finished or self._closed.get(serial) == "done"

    def left(self, condition: Condition, measurement: int) -> int:
        """How many ladders are still to be measured there."""
        return sum(map(self.is_left, self.serials(condition, measurement)))

    def is_any_left(self, condition: Condition) -> bool:
        return any(map(self.is_left, self._plan.serials(condition)))

    def attempt(self, serial: int) -> int:
        """Number of the attempt that begins now, from 1."""
        return self._standing.attempt(serial) + self._again[serial]

    def torn(self, serial: int) -> None:
        """An attempt ended without finishing it; the next one has another number."""
        self._again[serial] += 1

    def done(self, serial: int) -> None:
        self._close(serial, "done")

    def failed(self, serial: int) -> None:
        """Its row is the caller's: it was begun."""
        self._close(serial, FAILED)

    def skip(self, condition: Condition, reason: str, *, status: str = SKIPPED, measurements: Iterable[int] | None = None) -> int:
        """
        Every ladder that is left there is not measured in this run: a row of each in the record.

        Args:
            measurements: Default: all.

        Returns:
            How many.
        """
        count = 0
        for measurement in range(len(self._plan.measurements)) if measurements is None else measurements:
            block = self._plan.measurements[measurement]
            serials = self.serials(condition, measurement)
            # What is measured in the other bias state has no ladders here.
            for serial, ladder in zip(serials, block.ladders() if serials else (), strict=True):
                if not self.is_left(serial):
                    continue
                self._close(serial, status)
                now_s, temperature_degc = self._clock.now(), condition.temperature_degc
                self._sink.append(
                    "ladders",
                    {
                        "ladder": serial,
                        "measurement": measurement,
                        # Not begun, so no attempt of its own.
                        "attempt": 0,
                        "channel": condition.channel,
                        "temperature_set_degc": math.nan if temperature_degc is None else temperature_degc,
                        "supply_voltage_set_v": condition.supply_voltage_v,
                        "frequency_hz": ladder.frequency_hz,
                        "start_s": now_s,
                        "end_s": now_s,
                        "points": 0,
                        "status": status,
                        "stop_reason": " ".join(reason.split())[:REASON_LENGTH],
                    },
                )
                count += 1
        return count

    @property
    def left_units(self) -> Mapping[tuple[int, int], int]:
        """Ladders that are left, by index of the condition and of the measurement."""
        if self._left is None:
            self._left = Counter()
            for serial in range(self._plan.ladder_count):
                self._left[self._plan.unit_of(serial)] += self.is_left(serial)
        return self._left

    def _close(self, serial: int, status: str) -> None:
        if self._left is not None and self.is_left(serial):
            self._left[self._plan.unit_of(serial)] -= 1
        self._closed[serial] = status

    @property
    def missing(self) -> str:
        """What this run did not measure, in words; "" when it measured all that was left."""
        counts = Counter(status for status in self._closed.values() if status != "done")
        words = ((FAILED, "failed"), (SKIPPED, "were skipped"), (DROPPED, "were dropped for want of time"))
        return ", ".join(f"{counts[status]} {word}" for status, word in words if counts[status])

    @property
    def missing_count(self) -> int:
        return sum(status != "done" for status in self._closed.values())
