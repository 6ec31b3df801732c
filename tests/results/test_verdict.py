"""Verdicts: four outcomes by a stated rule, and none where a number is missing."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.results import Absent, Result, judge

ORDER = ["fail", "conditional fail", "conditional pass", "pass"]
values = st.floats(-100, 100)
uncertainties = st.floats(0, 10)


@pytest.mark.parametrize(
    ("value", "outcome"),
    [
        (27.6, "pass"),
        (27.5, "pass"),
        (27.4, "conditional pass"),
        (27.0, "conditional pass"),
        (26.9, "conditional fail"),
        (26.5, "conditional fail"),
        (26.4, "fail"),
    ],
)
def test_a_guard_band_of_u_makes_four_outcomes(value, outcome):
    """ILAC-G8: acceptance limit = limit - U on the inside; outside by no more than U is a conditional fail."""
    verdict = judge(value, 0.5, minimum=27.0)
    mirrored = judge(-value, 0.5, maximum=-27.0)

    assert (verdict.outcome, mirrored.outcome) == (outcome, outcome)
    assert verdict.margin == pytest.approx(value - 27)
    assert verdict.guard_band == 0.5
    assert verdict.is_within == (value >= 27)
    assert verdict.is_failure == (value < 27)


@given(values, values, uncertainties)
def test_simple_acceptance_knows_the_limit_alone(value, limit, uncertainty):
    verdict = judge(value, uncertainty, minimum=limit, rule="simple acceptance")

    assert verdict.outcome == ("pass" if value >= limit else "fail")
    assert verdict.guard_band == 0
    assert verdict.outcome == judge(value, minimum=limit, rule="simple acceptance").outcome


@given(values, values, uncertainties, st.floats(0, 5))
def test_a_better_value_is_never_judged_worse(value, limit, uncertainty, better):
    worse, improved = (judge(v, uncertainty, minimum=limit).outcome for v in (value, value + better))

    assert ORDER.index(improved) >= ORDER.index(worse)


@given(values, values, uncertainties, st.floats(0, 5))
def test_less_uncertainty_never_turns_a_pass_or_a_fail_into_its_opposite(value, limit, uncertainty, more):
    sharp, blunt = judge(value, uncertainty, minimum=limit), judge(value, uncertainty + more, minimum=limit)

    assert sharp.is_within == blunt.is_within
    assert sharp.outcome == "pass" or blunt.outcome != "pass"
    assert sharp.outcome == "fail" or blunt.outcome != "fail"


@given(values, st.floats(-50, 0), st.floats(0, 50), uncertainties)
def test_two_limits_are_judged_by_the_worse_side(value, low, high, uncertainty):
    both = judge(value, uncertainty, minimum=low, maximum=high)
    sides = [judge(value, uncertainty, minimum=low), judge(value, uncertainty, maximum=high)]

    assert ORDER.index(both.outcome) == min(ORDER.index(side.outcome) for side in sides)
    assert both.probability <= min(side.probability for side in sides) + 1e-12


@given(values, st.floats(-50, 0), st.floats(0, 50), st.floats(1e-3, 10))
def test_a_pass_is_right_with_at_least_95_percent(value, low, high, uncertainty):
    """2.5 % on each side at most, when both limits are a guard band away."""
    verdict = judge(value, uncertainty, minimum=low, maximum=high)

    if verdict.outcome == "pass":
        assert verdict.probability > 0.95
    if verdict.outcome == "fail":
        assert verdict.probability < 0.025


def test_limits_closer_than_two_guard_bands_are_said_to_be():
    verdict = judge(10.0, 0.5, minimum=9.8, maximum=10.2)

    assert verdict.outcome == "conditional pass"
    assert "nothing can pass" in verdict.reason


def test_the_reason_says_how_much_and_which_limit():
    assert judge(26.7, 0.5, minimum=27.0).reason == "0.3 outside the minimum 27, guard band 0.5"
    assert judge(26.7, minimum=20.0, maximum=27.0, rule="simple acceptance").reason == "0.3 inside the maximum 27"


def test_an_absent_value_is_not_judged_and_says_why():
    why = "1 dB compression not reached: largest compression seen 0.62 dB at input +8.00 dBm"
    result = Result("p1db", math.nan, "dBm", "device output", reason=why, expanded_uncertainty=0.3)

    for verdict in (judge(Absent(why), minimum=27.0), judge(result, minimum=27.0)):
        assert (verdict.outcome, verdict.reason) == ("not judged", why)
        assert math.isnan(verdict.margin)
        assert not verdict.is_within
        assert not verdict.is_failure
    assert judge(math.nan, 0.3, minimum=27.0).reason == "no value"


def test_without_its_uncertainty_a_value_is_judged_by_simple_acceptance_only():
    result = Result("p1db", 28.0, "dBm", "device output", uncertainty_reason="path table has none")

    guarded, simple = (judge(result, minimum=27.0, rule=rule) for rule in ("guard band", "simple acceptance"))

    assert guarded.outcome == "not judged"
    assert guarded.reason == "uncertainty is not known, and the guard band is made of it: path table has none"
    assert simple.outcome == "pass"
    assert math.isnan(simple.probability)


def test_a_result_brings_its_uncertainty_and_stays_with_its_verdict():
    result = Result("p1db", 27.2, "dBm", "device output", expanded_uncertainty=0.3)

    verdict = judge(result, minimum=27.0, maximum=math.nan, expectation=4)

    assert verdict.outcome == "conditional pass"
    assert (verdict.result, verdict.expectation) == (result, 4)
    assert (verdict.minimum, math.isnan(verdict.maximum)) == (27.0, True)
    assert judge(result, 0.1, minimum=27.0).outcome == "pass"


def test_an_exact_value_is_inside_or_outside():
    assert judge(27.0, 0.0, minimum=27.0).probability == 1
    assert judge(26.9, 0.0, minimum=27.0).probability == 0


@pytest.mark.parametrize(
    "arguments",
    [
        {},
        {"minimum": math.nan},
        {"minimum": math.inf},
        {"minimum": 2.0, "maximum": 1.0},
        {"minimum": 1.0, "expanded_uncertainty": -0.1},
        {"minimum": 1.0, "expanded_uncertainty": math.inf},
        {"minimum": 1.0, "value": math.inf},
        {"minimum": 1.0, "rule": "shared risk"},
    ],
)
def test_a_call_that_cannot_be_right_raises(arguments):
    with pytest.raises(ValueError):
        judge(**{"value": 1.0, "expanded_uncertainty": 0.1, **arguments})
