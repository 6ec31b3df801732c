"""
Which visit to a condition a row belongs to, and what a sentinel's drift casts doubt on.

A sequence may return to a temperature. What was measured at the return is a result of its own, told from the first by its
qualifier: a mean of both would hide what the return is made for.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import pandas as pd

from benchkit.measurements.sentinel import SENTINEL
from benchkit.plan.plan import Plan
from benchkit.results.result import Result

__all__ = ["at_visit", "hysteresis", "marked", "visit_text", "visits_of_ladders"]


def visits_of_ladders(plan: Plan) -> dict[int, int]:
    """Visit, from 1, by a ladder's serial number. Empty: the plan returns nowhere."""
    each = sum(block.ladder_count() for block in plan.measurements)
    visits = [condition.visit for condition in plan.conditions()]
    if max(visits, default=1) == 1:
        return {}
    return {index * each + number: visit for index, visit in enumerate(visits) for number in range(each)}


def visit_text(visit: int) -> str:
    return f"visit {visit}"


def at_visit(results: Sequence[Result], visit: int) -> list[Result]:
    """
    As results of that visit. Those that belong to no temperature (a calibration's, one over all temperatures) are the first
    visit's alone.
    """
    if visit == 1:
        return list(results)
    return [
        replace(result, qualifier=", ".join(filter(None, [result.qualifier, visit_text(visit)])))
        for result in results
        if result.condition.temperature_degc is not None
    ]


def hysteresis(results: Sequence[Result]) -> list[tuple[Result, Result]]:
    """First and last visit's result of each parameter and condition that was returned to and has a number both times."""
    by_key: dict[tuple[object, ...], list[tuple[int, Result]]] = {}
    for result in results:
        parts = result.qualifier.rpartition("visit ")
        visit = int(parts[2]) if parts[1] and parts[2].isdigit() else 1
        plain = parts[0].rstrip(", ") if visit > 1 else result.qualifier
        by_key.setdefault((result.measurement, result.parameter, plain, result.condition), []).append((visit, result))
    pairs = []
    for found in by_key.values():
        (low, first), (high, last) = min(found, key=lambda one: one[0]), max(found, key=lambda one: one[0])
        if high > low and not first.is_absent and not last.is_absent:
            pairs.append((first, last))
    return pairs


def marked(
    index: int, results: Sequence[Result], ladders: pd.DataFrame, streams: Mapping[str, pd.DataFrame], visits: Mapping[int, int],
    visit: int,
) -> list[Result]:  # fmt: skip
    """
    Results of one measurement, with a note on those whose ladders were measured while the sentinel is not known to have held.

    Args:
        ladders: Of the record.
        streams: Of the record; without a sentinel nothing is marked.
        visits: As visits_of_ladders().
        visit: Whose results these are.
    """
    sentinel = streams.get(SENTINEL, pd.DataFrame())
    if sentinel.empty:
        return list(results)
    spans = sentinel[sentinel["status"] == "drifted"]
    doubtful: list[tuple[tuple[object, ...], float, str]] = []
    own = ladders[(ladders["measurement"] == index) & ladders["status"].isin(("complete", "stopped"))]
    for row in own.to_dict("records"):
        if visits and visits.get(int(row["ladder"]), 1) != visit:
            continue
        at = str(row["channel"]), float(row["temperature_set_degc"]), float(row["supply_voltage_set_v"])
        same = spans[(spans["channel"] == at[0]) & (spans["supply_voltage_set_v"] == at[2])]
        same = same[(same["temperature_set_degc"] == at[1]) | (same["temperature_set_degc"].isna() & math.isnan(at[1]))]
        hit = same[(same["marks_from_s"] < row["end_s"]) & (same["marks_to_s"] > row["start_s"])]
        if len(hit):
            worst_db = float(hit["drift_db"].iloc[int(hit["drift_db"].abs().to_numpy().argmax())])
            text = "the sentinel had drifted when it was next measured"
            text += "" if math.isnan(worst_db) else f", gain {worst_db:+.3f} dB"
            doubtful.append((at, float(row["frequency_hz"]), text))
    return [_noted(result, doubtful) for result in results]


def _noted(result: Result, doubtful: Sequence[tuple[tuple[object, ...], float, str]]) -> Result:
    condition = result.condition
    for (channel, temperature_degc, supply_v), frequency_hz, text in doubtful:
        others = (
            (condition.channel, channel),
            (condition.temperature_degc, temperature_degc),
            (condition.supply_voltage_v, supply_v),
        )
        if any(mine is not None and mine != its for mine, its in others):
            continue
        mine_hz = condition.frequency_hz
        if mine_hz is None or math.isnan(frequency_hz) or mine_hz == frequency_hz:
            return replace(result, note=text)
    return result
