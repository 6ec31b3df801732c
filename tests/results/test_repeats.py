"""Repeats: their mean, and a repeatability that is pooled over everything that a measurement repeats."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from benchkit.results.repeats import REPEATABILITY, STANDS_IN_FROM, combined
from benchkit.results.result import Result, ResultCondition
from benchkit.results.uncertainty import Budget, Contribution


def result(value: float, hz: float = 14e9, *, scatter: float = 0.03, common: float = 0.1) -> Result:
    lines = (Contribution("power meter accuracy", common), Contribution("scatter at the crossing", scatter))
    return Result("p1db", value, "dBm", "device output", ResultCondition(25.0, "A", 6.0, hz), "", Budget(lines).expanded,
                  measurement="power sweep", budget=lines)  # fmt: skip


def amounts(one: Result) -> dict[str, float]:
    return {line.name: line.amount for line in one.budget}


def test_the_mean_of_the_repeats_and_their_pooled_scatter() -> None:
    """
    Worked by hand (JCGM 100:2008, 4.2.2, 4.2.3; pooled after 4.2.4 and H.3.6, from memory: sums of squares over sums of
    degrees of freedom). 27.0, 27.2, 27.1 and 26.0, 26.4, 26.2: squares 0.02 and 0.08, 4 degrees of freedom, s^2 = 0.025.
    """
    first, second = combined(
        [*(result(v) for v in (27.0, 27.2, 27.1)), *(result(v, 14.5e9) for v in (26.0, 26.4, 26.2))], ("scatter",), 3
    )
    assert (first.value, second.value) == (pytest.approx(27.1), pytest.approx(26.2))
    for one in (first, second):
        # Student's t for 4 degrees of freedom and 95.45 %: 2.87 (JCGM 100:2008, table G.2).
        repeatability = 2.87 / 2 * math.sqrt(0.025 / 3)
        assert amounts(one)[f"{REPEATABILITY}, 4 degrees of freedom"] == pytest.approx(repeatability, rel=2e-3)
        assert one.found == "mean of 3 repeats"
        assert one.expanded_uncertainty == pytest.approx(2 * math.sqrt(0.1**2 + 0.03**2 / 3 + repeatability**2), rel=2e-3)


def test_what_all_repeats_have_in_common_does_not_average_out() -> None:
    """A thousand readings with one meter are as wrong as the meter."""
    (one,) = combined([result(27.0, common=0.1), result(27.0, common=0.2)], ("scatter",), 2)
    assert amounts(one)["power meter accuracy"] == 0.2


def test_with_enough_of_them_the_pooled_scatter_stands_in_for_that_of_a_single_ladder() -> None:
    few = combined([result(27.0 + k / 100) for k in range(STANDS_IN_FROM)], ("scatter",), STANDS_IN_FROM)[0]
    many = combined([result(27.0 + k / 100) for k in range(STANDS_IN_FROM + 1)], ("scatter",), STANDS_IN_FROM)[0]
    assert "scatter at the crossing" in amounts(few)
    assert "scatter at the crossing" not in amounts(many)


def test_one_repeat_without_a_number_leaves_none() -> None:
    """Two that reached compression and one that did not: their mean would be of those that went well."""
    missing = replace(result(math.nan), reason="compression not reached", budget=())
    (one,) = combined([result(27.0), missing, result(27.2)], ("scatter",), 3)
    assert one.is_absent
    assert one.reason == "absent in 1 of 3 repeats: compression not reached"


def test_fewer_repeats_than_were_asked_for_are_told() -> None:
    """A single reading beside means of four looks like them."""
    (two,) = combined([result(27.0), result(27.2)], ("scatter",), 4)
    (one,) = combined([result(27.0)], ("scatter",), 4)
    assert two.found == "mean of 2 of 4 repeats: the others were not finished"
    assert one.found == "mean of 1 of 4 repeats: the others were not finished"


def test_an_unknown_uncertainty_stays_unknown() -> None:
    unknown = replace(result(27.2), expanded_uncertainty=math.nan, uncertainty_reason="not stated", budget=())
    (one,) = combined([result(27.0), unknown], ("scatter",), 2)
    assert one.value == pytest.approx(27.1)
    assert math.isnan(one.expanded_uncertainty)
    assert one.uncertainty_reason == "not stated"


def test_what_came_once_is_left_as_it_is() -> None:
    single = [result(27.0), result(26.0, 14.5e9)]
    assert combined(single, ("scatter",), 1) == single
