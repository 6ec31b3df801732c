"""
Which visit to a condition a row belongs to, and what a sentinel's drift casts doubt on.

A sequence may return to a temperature. What was measured at the return is a result of its own, told from the first by its
qualifier: a mean of both would hide what the return is made for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence, Set
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd

from benchkit.measurements.sentinel import Sentinel
from benchkit.plan.plan import Plan
from benchkit.results.result import Result, ResultCondition

__all__ = ["at_visit", "hysteresis", "marked", "visit_text", "visits_of_ladders", "without_visit"]

VISIT, JOINED = "visit ", ", "
FINISHED = ("complete", "stopped")
WHERE = ("channel", "temperature_set_degc", "supply_voltage_set_v")


def visits_of_ladders(plan: Plan) -> dict[int, int]:
    """Visit, from 1, by a ladder's serial number. Empty: the plan returns nowhere."""
    if all(condition.visit == 1 for condition in plan.conditions()):
        return {}
    return {serial: condition.visit for condition in plan.conditions() for serial in plan.serials(condition)}


def visit_text(visit: int) -> str:
    return f"{VISIT}{visit}"


def without_visit(qualifier: str) -> tuple[str, int]:
    """What a qualifier says besides its visit, and the visit, from 1."""
    before, found, number = qualifier.rpartition(VISIT)
    if not found or not number.isdigit() or (before and not before.endswith(JOINED)):
        return qualifier, 1
    return before.removesuffix(JOINED), int(number)


def at_visit(results: Sequence[Result], visit: int) -> list[Result]:
    """
    As results of that visit. Those that belong to no temperature (a calibration's, one over all temperatures) are the first
    visit's alone.
    """
    if visit == 1:
        return list(results)
    return [
        replace(result, qualifier=JOINED.join(filter(None, [result.qualifier, visit_text(visit)])))
        for result in results
        if result.condition.temperature_degc is not None
    ]


def hysteresis(results: Sequence[Result]) -> list[tuple[Result, Result]]:
    """First and last visit's result of each parameter and condition that was returned to and has a number both times."""
    by_key: dict[tuple[object, ...], list[tuple[int, Result]]] = {}
    for result in results:
        plain, visit = without_visit(result.qualifier)
        by_key.setdefault((result.measurement, result.parameter, plain, result.condition), []).append((visit, result))
    pairs = []
    for found in by_key.values():
        (low, first), (high, last) = min(found, key=lambda one: one[0]), max(found, key=lambda one: one[0])
        if high > low and not first.is_absent and not last.is_absent:
            pairs.append((first, last))
    return pairs


@dataclass(frozen=True)
class _Doubt:
    """Where a ladder was measured while the sentinel is not known to have held."""

    channel: str
    temperature_degc: float
    supply_voltage_v: float
    frequency_hz: float

    def meets(self, condition: ResultCondition, frequencies_hz: Set[float]) -> bool:
        """Whether a result at `condition` is made of this ladder; what a result does not say, it is spread over."""
        for mine, its in (
            (condition.channel, self.channel),
            (condition.temperature_degc, self.temperature_degc),
            (condition.supply_voltage_v, self.supply_voltage_v),
        ):
            if mine is not None and mine != its:
                return False
        hz = condition.frequency_hz
        # A frequency that no ladder is at (a trace's, a band's) is of them all.
        return hz is None or hz not in frequencies_hz or hz == self.frequency_hz


def marked(
    results: Sequence[Result], ladders: pd.DataFrame, sentinel: pd.DataFrame | None, block: Sentinel | None
) -> list[Result]:
    """
    Results of one measurement at one visit, with a note on those whose ladders were measured while the sentinel is not known
    to have held: between the last time it was found right and the time it was found drifted, whatever the condition. A return
    that finds it off can't tell whether device or bench has changed, nor when.

    Args:
        ladders: What the results are made of.
        sentinel: Stream of the record; None: it has none, and nothing is marked.
        block: As the sequence asks for it.
    """
    if sentinel is None or block is None or sentinel.empty:
        return list(results)
    spans = sentinel[sentinel["status"] == "drifted"]
    done = ladders[ladders["status"].isin(FINISHED)]
    if spans.empty or done.empty:
        return list(results)
    # Of several the worst is told; one that is no number is the worst there is.
    order = spans["drift_db"].abs().fillna(np.inf).sort_values(ascending=False, kind="stable").index
    doubts: dict[_Doubt, str] = {}
    for _, span in spans.loc[order].iterrows():
        hit = done[(done["start_s"] < span["marks_to_s"]) & (done["end_s"] > span["marks_from_s"])]
        for place in hit[[*WHERE, "frequency_hz"]].drop_duplicates().itertuples(index=False, name=None):
            doubts.setdefault(_Doubt(*place), _words(span, block))
    frequencies_hz = set(done["frequency_hz"])
    return [
        next(
            (
                replace(one, note="; ".join(filter(None, [text, one.note])))
                for doubt, text in doubts.items()
                if doubt.meets(one.condition, frequencies_hz)
            ),
            one,
        )
        for one in results
    ]


def _words(row: pd.Series[Any], block: Sentinel) -> str:
    degc = float(row["temperature_set_degc"])
    where = "" if math.isnan(degc) else f"{degc:+g} °C, "
    found = " and ".join(block.drifts(float(row["drift_db"]), float(row["drift_a"]), float(row["drift_v"])))
    return f"the sentinel ({where}channel {row['channel']}) had drifted when it was next measured: {found}"
