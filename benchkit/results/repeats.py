"""
What was measured several times over, each time set anew: the mean, and the repeatability that readings of one ladder do not show.

The scatter is pooled over everything that one measurement repeats (EA-4/02 M:2022, 3.2.4, from memory: a pooled estimate where
the repeats of each are few); the mean of n of them is uncertain by s / sqrt(n) (JCGM 100, 4.2.3). It stands in for the random
contributions of a single ladder, which are in it, once there are enough degrees of freedom; with fewer both count. A scatter that
is known from few degrees of freedom counts for more, so that k = 2 covers what Student's t would (JCGM 100, G.3.2).
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import replace

from scipy.stats import chi2
from scipy.stats import t as student

from benchkit.results.result import Result, ResultCondition
from benchkit.results.uncertainty import COVERAGE_FACTOR, Budget, Contribution

__all__ = ["FALSE_ALARM", "MOVED", "REPEATABILITY", "STANDS_IN_FROM", "combined", "counted"]

REPEATABILITY = "repeatability"
TWO_SIGMA = 0.97725  # one-sided, of a normal distribution at two standard deviations
STANDS_IN_FROM = 10
"""Degrees of freedom from which a pooled scatter is known to within a quarter (JCGM 100, E.4.3: 1 / sqrt(2 nu))."""

MOVED = "repeats lie apart"
"""How a note begins on a number whose repeats are not alike."""
FALSE_ALARM = 0.001
"""Chance that anything is noted of one measurement whose repeats scatter by what their budgets state."""
MATTERS = 0.25
"""What lies apart by less than this part of U would change nobody's mind."""

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
    judged = 0
    for (key, _), many in groups.items():
        if len(many) > 1 and not any(one.is_absent for one in many):
            total, freedom = squares.get(key, (0.0, 0))
            squares[key] = total + _squares(many), freedom + len(many) - 1
            judged += 1
    return [
        _single(many[0], asked)
        if len(many) == 1
        else _combined(many, *squares.get(key, (math.nan, 0)), random, asked, FALSE_ALARM / max(1, judged))
        for (key, _), many in groups.items()
    ]


def counted(count: int, asked: int, what: str = "mean") -> str:
    """How `found` begins: of how many repeats a number is the mean (or the highest, ...)."""
    if count == asked:
        return f"{what} of {count} repeats"
    return f"{what} of {count} of {asked} repeats: the others were not finished"


def _single(result: Result, asked: int) -> Result:
    if asked == 1 or result.is_absent:
        return result
    return replace(result, found="; ".join(filter(None, [counted(1, asked), result.found])))


def _key(result: Result) -> _Key:
    return result.measurement, result.parameter, result.qualifier, result.unit, result.plane


def _mean(many: Sequence[Result]) -> float:
    return math.fsum(one.value for one in many) / len(many)


def _squares(many: Sequence[Result]) -> float:
    mean = _mean(many)
    return math.fsum((one.value - mean) ** 2 for one in many)


def _combined(
    many: Sequence[Result], squares: float, freedom: int, random: Sequence[str], asked: int, false_alarm: float
) -> Result:
    count = len(many)
    missing = [one for one in many if one.is_absent]
    if missing:
        reason = f"absent in {len(missing)} of {count} repeats: {missing[0].reason}"
        return replace(missing[0], reason=reason)
    value = _mean(many)
    found = "; ".join(dict.fromkeys([counted(count, asked), *(said for one in many for said in one.found.split("; ") if said)]))
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
    note = "; ".join(filter(None, [_moved(many, random, false_alarm), *dict.fromkeys(one.note for one in many)]))
    return replace(
        worst, value=value, found=found, budget=tuple(lines), expanded_uncertainty=Budget(lines).expanded, note=note
    )


def _moved(many: Sequence[Result], random: Sequence[str], false_alarm: float) -> str:
    """What is noted where repeats lie further apart than their random contributions explain; "" where they do not."""
    stated = max(
        math.hypot(*(line.amount for line in one.budget if line.name.startswith(tuple(random)))) for one in many
    )
    values = [one.value for one in many]
    apart, expanded = max(values) - min(values), max(one.expanded_uncertainty for one in many)
    # Nothing is stated of how such a number scatters: nothing is known of how far apart is too far.
    if stated == 0.0 or apart < MATTERS * expanded:
        return ""
    if _squares(many) / stated**2 <= float(chi2.isf(false_alarm, len(many) - 1)):
        return ""
    middle = statistics.median(values)
    furthest = max(range(len(values)), key=lambda place: abs(values[place] - middle))
    unit = "dB" if many[0].unit == "dBm" else many[0].unit
    return (
        f"{MOVED}: {apart:.2g} {unit} from lowest to highest, and one scatters by {stated:.2g} {unit} (chi-square, "
        f"{100 * (1 - FALSE_ALARM):g} %), furthest is repeat {furthest + 1} of {len(many)}: something has moved between them"
    )
