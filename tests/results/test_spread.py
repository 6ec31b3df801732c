"""Spread: what a data sheet's row is made of, and what must never be mixed in one."""

from __future__ import annotations

import math
from dataclasses import replace
from statistics import median

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.results import Result, ResultCondition, spread


def p1db(value, *, degc=25.0, channel="A", supply_v=6.0, hz=14e9, **rest) -> Result:
    condition = ResultCondition(degc, channel, supply_v, hz)
    return Result("p1db", value, "dBm", "device output", condition, **rest)


@given(st.lists(st.floats(-50, 50), min_size=1, max_size=30))
def test_lowest_typical_and_highest_of_all_results(values):
    rows = spread({"L07-W1-01": [p1db(value) for value in values]})

    assert len(rows) == 1
    assert (rows[0].minimum, rows[0].typical, rows[0].maximum) == (min(values), median(values), max(values))
    assert (rows[0].count, rows[0].typical_count, rows[0].absent) == (len(values), len(values), 0)


@given(st.permutations([("L07-W1-01", 26.0), ("L07-W1-02", 27.0), ("L07-W2-01", 28.0), ("L07-W3-01", 26.5)]))
def test_the_order_of_units_does_not_matter(units):
    (row,) = spread({serial: [p1db(value)] for serial, value in units})

    assert (row.minimum, row.typical, row.maximum) == (26.0, 26.75, 28.0)
    assert row.lowest is not None
    assert row.highest is not None
    assert (row.lowest.unit_serial, row.highest.unit_serial) == ("L07-W1-01", "L07-W2-01")


def test_both_ends_keep_their_condition_and_uncertainty():
    """The minimum of a data sheet is worth nothing without where it was and how well it is known."""
    cold, hot = p1db(28.0, degc=-30.0, expanded_uncertainty=0.3), p1db(26.0, degc=70.0, expanded_uncertainty=0.4)

    (row,) = spread({"L07-W1-01": [cold, hot]})

    assert row.lowest is not None
    assert row.lowest.result == hot
    assert row.highest is not None
    assert row.highest.result == cold


def test_typical_may_be_taken_at_one_temperature():
    results = [p1db(28.0, degc=-30.0), p1db(27.4), p1db(27.2, channel="B"), p1db(25.0, degc=70.0)]

    (row,) = spread({"L07-W1-01": results}, typical_at_degc=25.0)
    (none,) = spread({"L07-W1-01": results}, typical_at_degc=85.0)

    assert (row.minimum, row.typical, row.maximum) == (25.0, pytest.approx(27.3), 28.0)
    assert row.typical_count == 2
    assert math.isnan(none.typical)
    assert none.typical_reason == "no number at 85 °C"


def test_numbers_of_different_definition_never_share_a_row():
    """A P1dB from the lowest levels and one from the maximum gain are two parameters."""
    plain = p1db(27.0)
    others = [
        replace(plain, convention="reference gain: highest reading of the gain"),
        replace(plain, qualifier="6 dB back-off"),
        replace(plain, parameter="input_p1db"),
        replace(plain, plane="device input"),
        replace(plain, unit="W"),
    ]

    rows = spread({"L07-W1-01": [plain, *others]})

    assert len(rows) == 6
    assert all(row.count == 1 for row in rows)


def test_supply_voltages_are_kept_apart_unless_told_otherwise():
    results = [p1db(27.0, supply_v=6.0), p1db(25.0, supply_v=5.0)]

    apart, together = spread({"L07-W1-01": results}), spread({"L07-W1-01": results}, keep=())

    assert [row.kept for row in apart] == [(("supply_voltage_v", 5.0),), (("supply_voltage_v", 6.0),)]
    assert [row.count for row in together] == [2]


@pytest.mark.parametrize(("keep", "rows"), [("unit", 2), ("temperature_degc", 3), ("channel", 2), ("frequency_hz", 4)])
def test_what_is_kept_apart_makes_rows_of_its_own(keep, rows):
    results = [p1db(27.0, degc=t, channel=c, hz=f) for t in (-30, 25, 70) for c in "AB" for f in (1e9, 2e9, 3e9, 4e9)]

    table = spread({"L07-W1-01": results, "L07-W1-02": results}, keep=[keep])

    assert len(table) == rows
    assert sum(row.count for row in table) == 48
    assert [row.kept[0][1] for row in table] == sorted(row.kept[0][1] for row in table)


def test_absent_results_are_counted_with_their_reasons():
    """They must not thin out a row in silence: eight parts of which five never compressed are not three parts."""
    missing = [p1db(math.nan, reason="1 dB compression not reached")] * 2
    missing += [p1db(math.nan, reason="stopped by a limit")]

    (row,) = spread({"L07-W1-01": [p1db(27.0), *missing]})
    (none,) = spread({"L07-W1-01": missing})

    assert (row.count, row.absent) == (1, 3)
    assert row.absent_reasons == (("1 dB compression not reached", 2), ("stopped by a limit", 1))
    assert (none.lowest, none.highest, none.typical_reason) == (None, None, "no number")
    assert math.isnan(none.minimum)
    assert math.isnan(none.maximum)
    assert math.isnan(none.typical)


def test_an_absent_result_is_counted_with_the_numbers_of_its_parameter():
    """A kind that states another convention where it found nothing must not hide the missing parts in another row."""
    number, missing = p1db(27.0, convention="highest output"), p1db(math.nan, reason="not reached", convention="none")

    (row,) = spread({"L07-W1-01": [missing], "L07-W1-02": [number]})
    two = spread({"L07-W1-01": [missing], "L07-W1-02": [number, replace(number, convention="mean output")]})

    assert (row.convention, row.count, row.absent) == ("highest output", 1, 1)
    assert sorted((r.convention, r.count, r.absent) for r in two) == [
        ("highest output", 1, 0),
        ("mean output", 1, 0),
        ("none", 0, 1),
    ]


def test_a_result_not_tied_to_a_kept_quantity_has_a_row():
    unbound = Result("quiescent_current", 0.25, "A", "drain pin", ResultCondition(25.0, "A", 6.0, None))

    (row,) = spread({"L07-W1-01": [unbound]}, keep=["frequency_hz"])

    assert row.kept == (("frequency_hz", None),)


def test_rows_stand_in_the_order_of_their_first_result():
    first, second = p1db(27.0), replace(p1db(3.0), parameter="input_p1db")

    rows = spread({"L07-W1-01": [first, second], "L07-W1-02": [second, first]})

    assert [row.parameter for row in rows] == ["p1db", "input_p1db"]


def test_an_unknown_quantity_cannot_be_kept_apart():
    with pytest.raises(ValueError, match="cannot keep 'humidity' apart"):
        spread({}, keep=["humidity"])
