"""Absent numbers for what the plan asked for and the run did not measure: each with its reason, where its number would stand."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import pandas as pd

from benchkit.engine.stages import DROPPED, FAILED, SKIPPED
from benchkit.engine.standing import FINISHED
from benchkit.results.result import Result, ResultCondition

__all__ = ["not_measured"]


def not_measured(ladders: pd.DataFrame, results: Sequence[Result]) -> list[Result]:
    """
    For each ladder of one measurement that failed, was skipped or dropped, and is not finished by now: the results that the same
    measurement gives elsewhere, without a number. Where it gives none anywhere, nothing is known of what it would have given.

    Args:
        ladders: Those of the measurement.
        results: What its finished ladders give.
    """
    finished = set(ladders.loc[ladders["status"].isin(FINISHED), "ladder"])
    missing = ladders[ladders["status"].isin((FAILED, SKIPPED, DROPPED)) & ~ladders["ladder"].isin(finished)]
    known = {_key(result) for result in results}
    found: list[Result] = []
    for row in missing.drop_duplicates("ladder", keep="last").to_dict("records"):
        reason = f"not measured: {row['status']}" + (f" ({row['stop_reason']})" if row["stop_reason"] else "")
        for pattern in _patterns(float(row["frequency_hz"]), results):
            temperature_degc, frequency_hz = float(row["temperature_set_degc"]), pattern.condition.frequency_hz
            condition = ResultCondition(
                temperature_degc=None if math.isnan(temperature_degc) else temperature_degc,
                channel=str(row["channel"]),
                supply_voltage_v=float(row["supply_voltage_set_v"]),
                frequency_hz=frequency_hz,
            )
            absent = replace(
                pattern, value=math.nan, expanded_uncertainty=math.nan, reason=reason, uncertainty_reason="", condition=condition,
                budget=(),
            )  # fmt: skip
            if _key(absent) not in known:
                known.add(_key(absent))
                found.append(absent)
    return found


def _patterns(frequency_hz: float, results: Sequence[Result]) -> Iterator[Result]:
    """What such a ladder gives, taken from others of its measurement; at its own frequency where it has one."""
    seen: set[tuple[str, str, bool]] = set()
    for result in results:
        condition = result.condition
        if condition.channel is None or condition.supply_voltage_v is None:
            continue  # of several conditions together
        has_own = condition.frequency_hz is not None and not math.isnan(frequency_hz)
        key = (result.parameter, result.qualifier, condition.frequency_hz is None)
        if has_own:
            if key not in seen:
                seen.add(key)
                yield replace(result, condition=replace(condition, frequency_hz=frequency_hz))
        elif condition.frequency_hz is None or math.isnan(frequency_hz):
            yield result


def _key(result: Result) -> tuple[str, str, ResultCondition]:
    return result.parameter, result.qualifier, result.condition
