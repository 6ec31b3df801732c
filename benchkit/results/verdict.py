"""
Verdicts against limits, by a stated decision rule (ILAC-G8:09/2019; ISO/IEC 17025:2017, 3.7).

"simple acceptance": the value alone decides; at the limit itself a wrong accept is as likely as not.
"guard band": w = U (k = 2), four outcomes. A pass is then wrong with less than 2.5 % probability.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

from benchkit.results.absent import Absent

__all__ = ["DecisionRule", "Outcome", "Verdict", "judge"]

DecisionRule = Literal["simple acceptance", "guard band"]
Outcome = Literal["pass", "conditional pass", "conditional fail", "fail", "not judged"]

_WORST_FIRST: tuple[Outcome, ...] = ("fail", "conditional fail", "conditional pass", "pass")


@dataclass(frozen=True)
class Verdict:
    """
    Attributes:
        outcome: "pass"; "conditional pass" (inside the limit, within the guard band); "conditional fail" (outside the
            limit by no more than the guard band); "fail"; "not judged".
        reason: Why, in words; for "not judged" what is missing.
        rule: The decision rule.
        margin: From the value to the nearer limit, negative outside; NaN when not judged. In the unit of the value.
        guard_band: w, 0 for simple acceptance, NaN when not judged.
        probability: That the true value lies within the limits, normally distributed (JCGM 106:2012); NaN without U.
    """

    outcome: Outcome
    reason: str
    rule: DecisionRule
    margin: float
    guard_band: float
    probability: float

    @property
    def is_within(self) -> bool:
        """Whether the value itself lies within the limits: "pass" or "conditional pass"."""
        return self.outcome in ("pass", "conditional pass")


def judge(
    value: float | Absent,
    expanded_uncertainty: float = math.nan,
    *,
    minimum: float | None = None,
    maximum: float | None = None,
    rule: DecisionRule = "guard band",
    absent_reason: str = "",
) -> Verdict:
    """
    Judge a value against one limit or two; all in one unit.

    Args:
        value: Absent, or NaN with `absent_reason`, is not judged.
        expanded_uncertainty: k = 2, not below zero; NaN when not known: no verdict under "guard band".
        minimum: A value equal to it is within. None: no such limit.
        maximum: A value equal to it is within. None: no such limit.
        rule: The decision rule, agreed beforehand.
        absent_reason: Why `value` is NaN, when it is.

    Returns:
        The verdict; with two limits the worse side's.

    Raises:
        ValueError: Neither limit, limits crossed or not numbers, U below zero, or an unknown rule.
    """
    if rule not in get_args(DecisionRule):
        raise ValueError(f"decision rule is {rule!r}; expected one of {', '.join(map(repr, get_args(DecisionRule)))}")
    low, high = _limits(minimum, maximum)
    if expanded_uncertainty < 0 or math.isinf(expanded_uncertainty):
        raise ValueError(f"expanded uncertainty is {expanded_uncertainty}; expected a finite number not below zero")
    if isinstance(value, Absent) or math.isnan(value):
        why = value.reason if isinstance(value, Absent) else absent_reason or "no value"
        return Verdict("not judged", why, rule, math.nan, math.nan, math.nan)
    if math.isnan(expanded_uncertainty) and rule == "guard band":
        why = "uncertainty is not known, and the guard band is made of it"
        return Verdict("not judged", why, rule, math.nan, math.nan, math.nan)
    width = expanded_uncertainty if rule == "guard band" else 0.0
    sides = [
        (_outcome(margin, width), margin, _where(margin, name, limit))
        for margin, name, limit in ((value - low, "minimum", low), (high - value, "maximum", high))
        if math.isfinite(limit)
    ]
    outcome, margin, reason = min(sides, key=lambda side: (_WORST_FIRST.index(side[0]), side[1]))
    if rule == "guard band":
        reason += f", guard band {width:.3g}"
        if high - low < 2 * width:
            reason += "; the limits are closer than two guard bands, so none can pass"
    return Verdict(outcome, reason, rule, margin, width, _probability(value, expanded_uncertainty / 2, low, high))


def _limits(minimum: float | None, maximum: float | None) -> tuple[float, float]:
    if minimum is None and maximum is None:
        raise ValueError("neither a minimum nor a maximum to judge against")
    for name, limit in (("minimum", minimum), ("maximum", maximum)):
        if limit is not None and not math.isfinite(limit):
            raise ValueError(f"{name} is {limit}; expected a finite number")
    low = -math.inf if minimum is None else minimum
    high = math.inf if maximum is None else maximum
    if low > high:
        raise ValueError(f"minimum {low} is above maximum {high}")
    return low, high


def _outcome(margin: float, width: float) -> Outcome:
    if margin >= width:
        return "pass"
    if margin >= 0:
        return "conditional pass"
    return "conditional fail" if margin >= -width and width > 0 else "fail"


def _where(margin: float, name: str, limit: float) -> str:
    return f"{abs(margin):.3g} {'inside' if margin >= 0 else 'outside'} the {name} {limit:.6g}"


def _probability(value: float, standard: float, low: float, high: float) -> float:
    if math.isnan(standard):
        return math.nan
    if standard == 0:
        return 1.0 if low <= value <= high else 0.0
    return max(0.0, _normal((high - value) / standard) - _normal((low - value) / standard))


def _normal(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))
