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
from benchkit.results.result import Result

__all__ = ["DecisionRule", "Outcome", "Verdict", "judge"]

DecisionRule = Literal["simple acceptance", "guard band"]
Outcome = Literal["pass", "conditional pass", "conditional fail", "fail", "not judged"]

_WORST_FIRST: tuple[Outcome, ...] = ("fail", "conditional fail", "conditional pass", "pass")


@dataclass(frozen=True)
class Verdict:
    """
    One value against its limits; all numbers in the unit of the value.

    Attributes:
        outcome: "pass"; "conditional pass" (inside the limit, within the guard band); "conditional fail" (outside the
            limit by no more than the guard band); "fail"; "not judged".
        reason: Why, in words; for "not judged" what is missing.
        rule: The decision rule.
        minimum, maximum: The limits; NaN: no such limit.
        margin: From the value to the limit that decided, negative outside; NaN when not judged.
        guard_band: w, 0 for simple acceptance; NaN when not judged.
        probability: That the true value lies within the limits, normally distributed (JCGM 106:2012); NaN without U.
        result: What was judged, when it was a Result.
        expectation: Position in the sequence of the expectation judged, from 0, when it was one.
    """

    outcome: Outcome
    reason: str
    rule: DecisionRule
    minimum: float
    maximum: float
    margin: float = math.nan
    guard_band: float = math.nan
    probability: float = math.nan
    result: Result | None = None
    expectation: int | None = None

    @property
    def is_within(self) -> bool:
        """Whether the value lies within the limits: "pass" or "conditional pass". Not judged is not within."""
        return self.outcome in ("pass", "conditional pass")

    @property
    def is_failure(self) -> bool:
        """Whether the value lies outside the limits: "fail" or "conditional fail". Not judged is not a failure."""
        return self.outcome in ("fail", "conditional fail")


def judge(
    value: float | Absent | Result,
    expanded_uncertainty: float | None = None,
    *,
    minimum: float | None = None,
    maximum: float | None = None,
    rule: DecisionRule = "guard band",
    expectation: int | None = None,
) -> Verdict:
    """
    Judge a value against one limit or two; all in one unit.

    Args:
        value: A number, NaN or Absent (not judged), or a Result, which brings its own uncertainty and reason.
        expanded_uncertainty: k = 2, not below zero. None: the Result's, else not known. NaN: not known.
        minimum: A value equal to it is within. None or NaN: no such limit.
        maximum: A value equal to it is within. None or NaN: no such limit.
        rule: The decision rule, agreed beforehand.
        expectation: Kept in the verdict.

    Returns:
        The verdict; with two limits the worse side's. Without a value, or without an uncertainty under "guard band",
        "not judged".

    Raises:
        ValueError: Neither limit, limits crossed or infinite, an infinite value, U below zero, or an unknown rule.
    """
    if rule not in get_args(DecisionRule):
        raise ValueError(f"decision rule is {rule!r}; expected one of {', '.join(map(repr, get_args(DecisionRule)))}")
    low, high = _limits(minimum, maximum)
    result = value if isinstance(value, Result) else None
    number, expanded, missing = _number(value, expanded_uncertainty)
    if expanded < 0 or math.isinf(expanded):
        raise ValueError(f"expanded uncertainty is {expanded}; expected a finite number not below zero")
    if math.isinf(number):
        raise ValueError(f"value is {number}: no measurement gives that")
    if not missing and math.isnan(expanded) and rule == "guard band":
        missing = "uncertainty is not known, and the guard band is made of it"
        if result is not None and result.uncertainty_reason:
            missing += f": {result.uncertainty_reason}"
    if missing:
        return Verdict("not judged", missing, rule, low, high, result=result, expectation=expectation)
    width = expanded if rule == "guard band" else 0.0
    sides = [
        (_outcome(margin, width), margin, _where(margin, name, limit))
        for margin, name, limit in ((number - low, "minimum", low), (high - number, "maximum", high))
        if not math.isnan(limit)
    ]
    outcome, margin, reason = min(sides, key=lambda side: (_WORST_FIRST.index(side[0]), side[1]))
    if rule == "guard band":
        reason += f", guard band {width:.3g}"
        if high - low < 2 * width:
            reason += "; the limits are closer than two guard bands, so nothing can pass"
    probability = _probability(number, expanded / 2, low, high)
    return Verdict(outcome, reason, rule, low, high, margin, width, probability, result, expectation)


def _number(value: float | Absent | Result, expanded: float | None) -> tuple[float, float, str]:
    """The value, its expanded uncertainty, and why there is no value ("" when there is one)."""
    if isinstance(value, Absent):
        return math.nan, math.nan, value.reason
    if isinstance(value, Result):
        own = value.expanded_uncertainty if expanded is None else expanded
        return value.value, own, (value.reason or "no value") if value.is_absent else ""
    return value, math.nan if expanded is None else expanded, "no value" if math.isnan(value) else ""


def _limits(minimum: float | None, maximum: float | None) -> tuple[float, float]:
    low, high = (math.nan if limit is None else limit for limit in (minimum, maximum))
    if math.isnan(low) and math.isnan(high):
        raise ValueError("neither a minimum nor a maximum to judge against")
    for name, limit in (("minimum", low), ("maximum", high)):
        if math.isinf(limit):
            raise ValueError(f"{name} is {limit}; leave it out where there is no limit")
    if low > high:
        raise ValueError(f"minimum {low} is above maximum {high}")
    return low, high


def _outcome(margin: float, width: float) -> Outcome:
    if margin >= width:
        return "pass"
    if margin >= 0:
        return "conditional pass"
    return "conditional fail" if margin >= -width else "fail"


def _where(margin: float, name: str, limit: float) -> str:
    return f"{abs(margin):.3g} {'inside' if margin >= 0 else 'outside'} the {name} {limit:.6g}"


def _probability(value: float, standard: float, low: float, high: float) -> float:
    # JCGM 106:2012: Phi((TU - y) / u) - Phi((TL - y) / u); each tail by itself, so that a small one keeps its digits.
    if math.isnan(standard):
        return math.nan
    if standard == 0:
        return 0.0 if value < low or value > high else 1.0
    below = 0.0 if math.isnan(low) else 0.5 * math.erfc((value - low) / (standard * math.sqrt(2.0)))
    above = 0.0 if math.isnan(high) else 0.5 * math.erfc((high - value) / (standard * math.sqrt(2.0)))
    return 1.0 - below - above
