"""From points to results and verdicts: pure, and the same for a run just done and for a record opened years later."""

from __future__ import annotations

import math
from collections.abc import Sequence as Seq

import pandas as pd

from benchkit.quantities import parse_quantity
from benchkit.results.absent import Absent
from benchkit.results.result import PARAMETERS, Parameter, Result
from benchkit.results.verdict import Verdict, judge
from benchkit.sequence.load import Sequence
from benchkit.sequence.model import Expectation

__all__ = ["judge_results", "known_parameters", "summarise"]


def summarise(sequence: Sequence, points: pd.DataFrame, ladders: pd.DataFrame) -> list[Result]:
    """
    Every result of every measurement, from finished ladders only.

    Args:
        points: All points of a record.
        ladders: Its ladders; a ladder that is not "complete" or "stopped" contributes nothing.
    """
    # pandas copies a frame's attributes deeply into every slice of it; a thousand ladders later that is a second.
    points = points.copy(deep=False)
    points.attrs = {}
    finished = set(ladders.loc[ladders["status"].isin(("complete", "stopped")), "ladder"])
    results: list[Result] = []
    for index, block in enumerate(sequence.file.measurements):
        own = points[(points["measurement"] == index) & points["ladder"].isin(finished)]
        if len(own):
            results.extend(block.summarise(own))
    return results


def known_parameters(sequence: Sequence) -> dict[str, Parameter]:
    """The table of parameters, with those that the kinds used by this sequence add."""
    added = {parameter.name: parameter for block in sequence.file.measurements for parameter in block.parameters}
    return {**PARAMETERS, **added}


def judge_results(sequence: Sequence, results: Seq[Result]) -> list[Verdict]:
    """
    One verdict for each expectation and each result that it speaks of, in the order of the expectations; an expectation that
    no result answers gets one verdict "not judged" of its own.
    """
    verdicts: list[Verdict] = []
    parameters = known_parameters(sequence)
    for index, expectation in enumerate(sequence.file.expectations):
        unit = parameters[expectation.parameter].unit
        minimum = math.nan if expectation.min is None else parse_quantity(expectation.min, unit)
        maximum = math.nan if expectation.max is None else parse_quantity(expectation.max, unit)
        spoken_of: Seq[Result | Absent] = [result for result in results if _speaks_of(expectation, result)]
        # A promise that nothing answers is not a promise kept.
        for result in spoken_of or [Absent(f"no result for {expectation.parameter} {expectation.qualifier}".strip())]:
            verdicts.append(
                judge(result, minimum=minimum, maximum=maximum, rule=sequence.file.decision_rule, expectation=index)
            )
    return verdicts


def _speaks_of(expectation: Expectation, result: Result) -> bool:
    if result.parameter != expectation.parameter:
        return False
    if expectation.qualifier and result.qualifier != expectation.qualifier:
        return False
    condition = result.condition
    if expectation.frequency is not None and (
        condition.frequency_hz is None
        or not any(math.isclose(condition.frequency_hz, hz, rel_tol=1e-12) for hz in expectation.frequency)
    ):
        return False
    return expectation.temperature is None or (
        condition.temperature_degc is not None and condition.temperature_degc in tuple(expectation.temperature)
    )
