"""
What fits into the time that is left, and what is dropped when not all does.

A unit is one measurement at one condition. The lowest priority goes first; of one priority what would be measured last. So what
is kept is a whole measurement at its first conditions, and of the least important one the last conditions are missing. The way
back to the idle temperature belongs to the time that is needed, and so does the wait until the chamber may be opened.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from benchkit.bench.model import BenchFile, ChamberSettings
from benchkit.errors import MisuseError
from benchkit.plan.estimate import BEGINNINGS, WARMING, Estimate, estimate, temperature_time_s, warming_time_s
from benchkit.plan.pace import NO_PACE, Pace
from benchkit.plan.plan import Condition, Plan
from benchkit.sequence.model import SequenceFile

__all__ = ["Fit", "TimeBudget", "Unit"]

Unit = tuple[int, int]
"""Index of a condition, and of a measurement."""


@dataclass(frozen=True)
class Fit:
    """
    Attributes:
        dropped: Units to drop, in the order in which they go; empty: all fits.
        needed_s: What all that was left would take, with the way back to idle. [s]
        kept_s: What is kept takes. [s]
    """

    dropped: tuple[Unit, ...]
    needed_s: float
    kept_s: float


class TimeBudget:
    """
    The estimate of a plan, unit by unit.

    Args:
        ambient_degc: Where the chamber stands while no temperature was set. [degC]
    """

    def __init__(
        self, plan: Plan, sequence: SequenceFile, bench: BenchFile, *, pace: Pace = NO_PACE, ambient_degc: float = 25.0
    ) -> None:
        self._sequence, self._bench, self._pace = sequence, bench, pace
        self._ambient_degc = ambient_degc
        self._conditions = tuple(plan.conditions())
        self._plan, self._measurements = plan, plan.measurements
        self._bias_s, self._ladder_s = _units(plan, estimate(plan, sequence, bench, ambient_degc=ambient_degc, pace=pace))

    def all_units(self) -> dict[Unit, int]:
        """Every unit of the plan, with its ladders."""
        plan = self._plan
        return {
            (condition.index, measurement): block.ladder_count()
            for condition in self._conditions
            for measurement, block in plan.measured_at(condition)
        }

    def condition(self, unit: Unit) -> Condition:
        return self._conditions[unit[0]]

    def need_s(
        self,
        left: Mapping[Unit, int],
        *,
        here_degc: float | None = None,
        present: Condition | None = None,
        measured_s: Mapping[int, float] | None = None,
    ) -> float:
        """
        Time for what is left, and back to idle. [s]

        Args:
            left: Ladders left of each unit; units without any may be missing.
            here_degc: Where the chamber stands; None: at ambient. [degC]
            present: The condition that is biased now.
            measured_s: By measurement, what a ladder of it took in this run, where that is known. [s]
        """
        measured_s = measured_s or {}
        total_s, at_degc = 0.0, here_degc
        visit = None if present is None else (present.temperature_degc, present.visit)
        for condition in self._conditions:
            counts = {
                measurement: count
                for measurement in range(len(self._measurements))
                if (count := left.get((condition.index, measurement), 0))
            }
            if not counts:
                continue
            if condition.temperature_degc is not None and (condition.temperature_degc, condition.visit) != visit:
                total_s += self._change_s(at_degc, condition.temperature_degc)
                at_degc = condition.temperature_degc
            visit = (condition.temperature_degc, condition.visit)
            if present is None or condition.index != present.index:
                total_s += self._bias_s[condition.index]
            for measurement, count in counts.items():
                each_s = measured_s.get(measurement, self._ladder_s[condition.index, measurement])
                total_s += count * each_s
        return total_s + self._back_s(at_degc)

    def fit(
        self,
        left: Mapping[Unit, int],
        time_s: float,
        *,
        here_degc: float | None = None,
        present: Condition | None = None,
        measured_s: Mapping[int, float] | None = None,
    ) -> Fit:
        """
        What has to go for the rest to fit into `time_s`; arguments as need_s().
        """

        def need_s(dropped: int) -> float:
            gone = set(order[:dropped])
            kept = {unit: count for unit, count in left.items() if unit not in gone}
            return self.need_s(kept, here_degc=here_degc, present=present, measured_s=measured_s)

        order = sorted(
            (unit for unit, count in left.items() if count),
            key=lambda unit: (self._measurements[unit[1]].priority, -unit[0], -unit[1]),
        )
        needed_s = need_s(0)
        if needed_s <= time_s:
            return Fit((), needed_s, needed_s)
        # The more is dropped, the less is needed: bisection.
        low, high = 0, len(order)
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (low, middle) if need_s(middle) <= time_s else (middle, high)
        return Fit(tuple(order[:high]), needed_s, need_s(high))

    def _change_s(self, from_degc: float | None, to_degc: float) -> float:
        settings = self._sequence.conditions.temperature
        start_degc = self._ambient_degc if from_degc is None else from_degc
        known_s = math.nan if settings is None else self._pace.soak_s(settings.soak, start_degc, to_degc)
        return temperature_time_s(self._sequence, self._bench, start_degc, to_degc) if math.isnan(known_s) else known_s

    def _back_s(self, from_degc: float | None) -> float:
        settings, name = self._sequence.conditions.temperature, self._bench.wiring.chamber
        if from_degc is None or settings is None or name is None:
            return 0.0
        chamber = self._bench.instruments[name]
        assert isinstance(chamber, ChamberSettings), "load_bench checks roles"
        back_s = abs(from_degc - settings.idle_degc) / chamber.ramp_k_per_min * 60.0
        return max(back_s, warming_time_s(self._sequence, self._bench, from_degc))


def _units(plan: Plan, expected: Estimate) -> tuple[dict[int, float], dict[Unit, float]]:
    """Bias time of each condition, with whatever belongs to no measurement, and the time of a ladder of each unit. [s]"""
    bias_s: dict[int, float] = {}
    ladder_s: dict[Unit, float] = {}
    walk, due = plan.conditions(), list[int]()
    index = -1
    for stage in expected.stages:
        if stage.what.endswith(BEGINNINGS):
            condition = next(walk)
            index, due = condition.index, [measurement for measurement, _ in plan.measured_at(condition)]
            bias_s[index] = stage.time_s
            continue
        if index < 0 or stage.what == WARMING or (stage.what.startswith("to ") and not stage.ladders):
            continue
        if due and stage.what.endswith(f": {plan.measurements[due[0]].title}"):
            ladder_s[index, due.pop(0)] = stage.time_s / max(1, stage.ladders)
        else:
            bias_s[index] += stage.time_s
    wanted = sum(1 for condition in plan.conditions() for _ in plan.measured_at(condition))
    if index + 1 != plan.condition_count or len(ladder_s) != wanted:
        raise MisuseError("the estimate does not have a stage for each measurement at each condition of the plan")
    return bias_s, ladder_s
