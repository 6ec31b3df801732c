"""
What was measured several times over, each time set anew: the mean, and the repeatability that readings of one ladder do not show.

The scatter is pooled over everything that one measurement repeats (EA-4/02 M:2022, 3.2.4, from memory: a pooled estimate where
the repeats of each are few); the mean of n of them is uncertain by s / sqrt(n) (JCGM 100, 4.2.3). It stands in for the random
contributions of a single ladder, which are in it, once there are enough degrees of freedom; with fewer both count. A scatter that
is known from few degrees of freedom counts for more, so that k = 2 covers what Student's t would (JCGM 100, G.3.2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from scipy.stats import t as student

from benchkit.results.result import Result, ResultCondition
from benchkit.results.uncertainty import COVERAGE_FACTOR, Budget, Contribution

__all__ = ["REPEATABILITY", "STANDS_IN_FROM", "combined"]

REPEATABILITY = "repeatability"
TWO_SIGMA = 0.97725  # one-sided, of a normal distribution at two standard deviations
STANDS_IN_FROM = 10
"""Degrees of freedom from which a pooled scatter is known to within a quarter (JCGM 100, E.4.3: 1 / sqrt(2 nu))."""

_Key = tuple[str, str, str, str, str]


def combined(results: Sequence[Result], random: Sequence[str], asked: int) -> list[Result]:
    """
    One result for each quantity and condition, in the order of their first.

    Args:
        results: Of one or several measurements; several of one quantity at one condition are repeats of it.
        random: How the names of contributions begin that differ from one repeat to the next.
        asked: How many repeats there should be.

    Returns:
        Where any repeat has no number, none: the others would be a choice of those that went well.
    """
    groups: dict[tuple[_Key, ResultCondition], list[Result]] = {}
    for result in results:
        groups.setdefault((_key(result), result.condition), []).append(result)
    squares: dict[_Key, tuple[float, int]] = {}
    for (key, _), many in groups.items():
        if len(many) > 1 and not any(one.is_absent for one in many):
            mean = math.fsum(one.value for one in many) / len(many)
            total, freedom = squares.get(key, (0.0, 0))
            squares[key] = total + math.fsum((one.value - mean) ** 2 for one in many), freedom + len(many) - 1
    return [
        _single(many[0], asked) if len(many) == 1 else _combined(many, *squares.get(key, (math.nan, 0)), random, asked)
        for (key, _), many in groups.items()
    ]


def _single(result: Result, asked: int) -> Result:
    if asked == 1 or result.is_absent:
        return result
    return replace(result, found="; ".join(filter(None, [_counted(1, asked), result.found])))


def _counted(count: int, asked: int) -> str:
    return f"mean of {count} repeats" if count == asked else f"mean of {count} of {asked} repeats: the others were not finished"


def _key(result: Result) -> _Key:
    return result.measurement, result.parameter, result.qualifier, result.unit, result.plane


def _combined(many: Sequence[Result], squares: float, freedom: int, random: Sequence[str], asked: int) -> Result:
    count = len(many)
    missing = [one for one in many if one.is_absent]
    if missing:
        reason = f"absent in {len(missing)} of {count} repeats: {missing[0].reason}"
        return replace(missing[0], reason=reason)
    value = math.fsum(one.value for one in many) / count
    found = "; ".join(filter(None, [_counted(count, asked), *dict.fromkeys(one.found for one in many)]))
    unknown = next((one for one in many if not math.isfinite(one.expanded_uncertainty)), None)
    if unknown is not None:
        return replace(unknown, value=value, found=found)
    # What is off by the same in all of them does not average out: as the worst of them has it.
    worst = max(many, key=lambda one: one.expanded_uncertainty)
    lines = []
    for line in worst.budget:
        if not line.name.startswith(tuple(random)):
            lines.append(line)
        elif freedom < STANDS_IN_FROM:
            lines.append(replace(line, standard_uncertainty=line.standard_uncertainty / math.sqrt(count)))
    scatter = math.sqrt(squares / freedom / count)
    few = float(student.ppf(TWO_SIGMA, freedom)) / COVERAGE_FACTOR
    lines.append(Contribution(f"{REPEATABILITY}, {freedom} degrees of freedom", few * scatter))
    return replace(worst, value=value, found=found, budget=tuple(lines), expanded_uncertainty=Budget(lines).expanded)
