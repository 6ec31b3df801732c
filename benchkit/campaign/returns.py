"""
What a return to a temperature shows, parameter by parameter: last visit less first.

Both visits are of one run on one bench, so that most of either number's uncertainty (paths, levels, the meter's calibration)
cannot make them differ. It is taken out as between two records with everything in common (common_parts.py): 90 % of what an
instrument or path contributes, the rest stands for what hours and a way to another temperature do to it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from benchkit.campaign.common_parts import own_results, shared_between
from benchkit.campaign.setup import Setup
from benchkit.campaign.visits import hysteresis, visits_of_ladders, without_visit
from benchkit.plan.plan import make_plan
from benchkit.results.en_number import expanded_of_difference
from benchkit.results.result import Result
from benchkit.results.uncertainty import COVERAGE_FACTOR

__all__ = ["Return", "case_at_visits", "returns_of"]

Key = tuple[object, ...]


@dataclass(frozen=True)
class Return:
    """
    One parameter at one condition that was returned to.

    Attributes:
        first, last: Results of the first and the last visit.
        difference: Last less first, in their unit.
        expanded_uncertainty: Of the difference, k = 2, what both have in common taken out; NaN: not known.
    """

    first: Result
    last: Result
    difference: float
    expanded_uncertainty: float

    @property
    def visit(self) -> int:
        """Which one the last is."""
        return without_visit(self.last.qualifier)[1]


def returns_of(
    setup: Setup,
    results: Sequence[Result],
    points: pd.DataFrame,
    ladders: pd.DataFrame,
    streams: Mapping[str, pd.DataFrame] | None = None,
) -> list[Return]:
    """
    Every parameter that has a number at both visits, in the order of the results.

    Args:
        setup: Of the record; without a bench that can be read nothing is known to be common.
        results: As summarise() makes them of the others, or as the record has them.
    """
    pairs = hysteresis(results)
    if not pairs:
        return []
    own, _ = own_results(setup, points, ladders, shared_between(setup, setup), streams)
    alone = {_key(one): one.expanded_uncertainty for one in own}
    return [_return(first, last, alone) for first, last in pairs]


def _return(first: Result, last: Result, alone: Mapping[Key, float]) -> Return:
    expanded = math.nan
    if math.isfinite(first.expanded_uncertainty) and math.isfinite(last.expanded_uncertainty):
        common = math.sqrt(_common(first, alone) * _common(last, alone)) / COVERAGE_FACTOR
        expanded = expanded_of_difference(
            first.value, first.expanded_uncertainty, last.value, last.expanded_uncertainty, common
        )  # fmt: skip
    return Return(first, last, last.value - first.value, expanded)


def _common(result: Result, alone: Mapping[Key, float]) -> float:
    """Expanded uncertainty that comes from common parts."""
    whole = result.expanded_uncertainty
    low = alone.get(_key(result), whole)
    return math.sqrt((whole - low) * (whole + low)) if low < whole else 0.0


def _key(result: Result) -> Key:
    return result.measurement, result.parameter, result.qualifier, result.condition


def case_at_visits(setup: Setup, points: pd.DataFrame) -> dict[float, tuple[float, float]]:
    """
    By temperature set that was returned to: mean case temperature of all points of the first and of the last visit.

    A soak ends within a tolerance: what the case differs by makes the numbers differ too, and is no hysteresis. [degC]
    """
    visits = {} if setup.sequence is None else visits_of_ladders(make_plan(setup.sequence.file))
    if not visits or points.empty or "case_degc" not in points:
        return {}
    visit = points["ladder"].map(visits)
    means = points["case_degc"].groupby([points["temperature_set_degc"], visit]).mean().dropna()
    found: dict[float, tuple[float, float]] = {}
    for degc, of_visit in means.groupby(level=0):
        if len(of_visit) > 1:
            found[float(str(degc))] = float(of_visit.iloc[0]), float(of_visit.iloc[-1])
    return found
