"""Agreement: two measurements of one thing, and what must not be called agreement."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.results import (
    Budget,
    Contribution,
    Result,
    ResultCondition,
    agreement,
    agreement_table,
    en_number,
    zeta_score,
)

values, uncertainties = st.floats(-1e3, 1e3), st.floats(1e-3, 1e3)


def p1db(value: float, expanded: float = 0.3, *, degc: float = 25.0, **rest) -> Result:
    return Result("p1db", value, "dBm", "device output", ResultCondition(degc, "A", 6.0, 14e9), "", expanded, **rest)


@given(values, uncertainties, values, uncertainties)
def test_exchanging_the_two_changes_the_sign_alone(a, ua, b, ub):
    assert en_number(a, ua, b, ub) == -en_number(b, ub, a, ua)


@given(values, uncertainties, values, uncertainties, st.floats(0, 1))
def test_what_is_shared_makes_agreement_harder(a, ua, b, ub, part):
    """A common sensor cannot make two measurements differ; counted twice it would excuse any difference."""
    shared = part * 0.99 * min(ua, ub) / 2

    assert abs(en_number(a, ua, b, ub, shared_standard=shared)) >= abs(en_number(a, ua, b, ub)) * (1 - 1e-12)


def test_en_with_a_shared_part_is_that_of_the_independent_parts():
    """Simulated: two measurements with a common error; the scatter of their difference is what En is counted in."""
    rng = np.random.default_rng(4)
    common, own_1, own_2 = (rng.normal(0, u, 200_000) for u in (0.5, 0.1, 0.2))
    scatter = float(np.std((common + own_1) - (common + own_2)))

    found = en_number(1.0, 2 * math.hypot(0.5, 0.1), 0.0, 2 * math.hypot(0.5, 0.2), shared_standard=0.5)

    assert found == pytest.approx(1 / (2 * scatter), rel=0.01)
    assert found == pytest.approx(1 / (2 * math.hypot(0.1, 0.2)), rel=1e-12)


@pytest.mark.parametrize(
    ("first", "second", "shared"),
    [(0.0, 0.0, 0.0), (0.2, 0.2, 0.1), (0.2, 0.1, 0.06), (-0.1, 0.1, 0.0), (math.nan, 0.1, 0.0), (math.inf, 0.1, 0.0)],
)
def test_uncertainties_that_cannot_judge_are_an_error(first, second, shared):
    """Zero on both sides would make any two numbers infinitely different, or equal by chance."""
    with pytest.raises(ValueError):
        en_number(27.0, first, 27.0, second, shared_standard=shared)


def test_zeta_is_twice_en():
    assert zeta_score(27.2, 0.1, 27.0, 0.15) == pytest.approx(2 * en_number(27.2, 0.2, 27.0, 0.3))


def test_an_agreement_says_by_how_much_and_against_what():
    row = agreement(p1db(27.2, 0.3), p1db(27.0, 0.4))
    far = agreement(p1db(27.8, 0.3), p1db(27.0, 0.4))

    assert (row.difference, row.expanded_uncertainty) == pytest.approx((0.2, 0.5))
    assert row.en == pytest.approx(0.4)
    assert row.zeta == pytest.approx(0.8)
    assert row.agrees
    assert not far.agrees


@pytest.mark.parametrize(
    ("second", "why"),
    [
        (p1db(math.nan, math.nan, reason="not reached"), "absent in the second: not reached"),
        (p1db(27.0, math.nan, uncertainty_reason="no path table"), "no uncertainty in the second: no path table"),
    ],
)
def test_what_cannot_be_judged_does_not_agree(second, why):
    row = agreement(p1db(27.0), second)

    assert not row.is_judged
    assert not row.agrees
    assert row.reason == why


def test_two_exact_numbers_are_not_judged_in_a_table():
    """One odd row must not cost a night's comparison its table."""
    table = agreement_table([p1db(27.0, 0.0), p1db(26.0, degc=70.0)], [p1db(27.0, 0.0), p1db(26.0, degc=70.0)])

    assert [row.is_judged for row in table.rows] == [False, True]
    assert "uncertainty of its own" in table.rows[0].reason
    assert not table.agrees


def test_numbers_of_different_definition_are_not_compared():
    first = p1db(27.0, convention="mean of the 3 lowest levels")
    second = replace(first, convention="highest reading of the gain")

    table = agreement_table([first], [second])

    assert table.rows == ()
    assert (table.only_first, table.only_second) == ((first,), (second,))
    assert not table.agrees
    with pytest.raises(ValueError, match="differ in convention"):
        agreement(first, second)
    with pytest.raises(ValueError, match="differ in unit, condition"):
        agreement(p1db(27.0), replace(p1db(27.0, degc=70.0), unit="W"))


def test_a_number_that_went_missing_stands_in_the_table():
    """Compression reached in the first run and not in the second is a disagreement to be seen; unless it is another one."""
    first = p1db(27.0, convention="mean of the 3 lowest levels")
    missing = p1db(math.nan, math.nan, reason="stopped by a limit")
    other = replace(missing, convention="highest reading of the gain")
    assert agreement_table([first], [other]).rows == ()

    table = agreement_table([first], [missing])

    assert len(table.rows) == 1
    assert "stopped by a limit" in table.rows[0].reason
    assert not table.agrees


def test_a_set_that_agrees_agrees_and_the_worst_row_comes_first():
    first = [p1db(27.0, degc=t) for t in (-30.0, 25.0, 70.0)]
    second = [p1db(27.1, degc=-30.0), p1db(28.0, degc=25.0), p1db(29.0, degc=70.0)]

    assert agreement_table(first, first[::-1]).agrees
    table = agreement_table(first, second)
    assert [row.first.condition.temperature_degc for row in table.disagreements] == [70.0, 25.0]
    assert not agreement_table([], []).agrees


def test_shared_parts_are_given_by_parameter_or_by_function():
    pair = [p1db(27.2, 0.3)], [p1db(27.0, 0.4)]

    plain = agreement_table(*pair).rows[0]
    by_name = agreement_table(*pair, shared_standard={"p1db": 0.1, "pae_p1db": 5.0}).rows[0]
    by_function = agreement_table(*pair, shared_standard=lambda _: 0.1).rows[0]

    assert plain.en < by_name.en == by_function.en
    assert by_name.shared_standard_uncertainty == 0.1


def test_hints_name_the_contributions_that_differ():
    def budget(path: float, extra: float) -> Budget:
        lines = [Contribution("sensor", 0.05), Contribution("output path loss", path), Contribution("scatter", 0.01)]
        return Budget(lines + ([Contribution("mismatch", extra)] if extra else []))

    (row,) = agreement_table([p1db(27.0)], [p1db(28.0)], budgets=lambda _: (budget(0.12, 0.0), budget(0.02, 0.04))).rows

    assert [hint.name for hint in row.hints] == ["output path loss", "mismatch"]
    assert row.hints[0].text == "output path loss: 0.12 in the first, 0.02 in the second"
    assert row.hints[1].text == "mismatch: 0.04 in the second only"


def test_a_set_with_two_results_of_one_identity_is_refused():
    with pytest.raises(ValueError, match="the second set has two results of p1db"):
        agreement_table([p1db(27.0)], [p1db(27.0), p1db(27.1)])
