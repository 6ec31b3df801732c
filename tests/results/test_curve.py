"""Reading a ladder between its points, and never beyond them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.results import Absent, at_input, input_at_output
from tests.results.ladders import Device, devices, phases, steps

# Readings have a last digit; without one, differences of 1e-309 would overflow in the library.
readings = st.integers(-100_000, 100_000).map(lambda digits: digits / 1000)
columns = st.lists(readings, min_size=4, max_size=20)


@given(columns, st.data())
def test_a_value_between_two_points_lies_between_their_values(values, data):
    """No overshoot: an interpolated drain current is never above both currents that were read."""
    levels = np.arange(len(values), dtype=float)
    at = data.draw(st.floats(0, len(values) - 1))

    value = at_input(levels, values, at)

    k = min(int(at), len(values) - 2)
    low, high = sorted(values[k : k + 2])
    assert isinstance(value, float)
    assert low - 1e-9 <= value <= high + 1e-9


@given(columns)
def test_at_a_point_the_value_is_the_reading(values):
    levels = np.arange(len(values), dtype=float)

    assert [at_input(levels, values, at) for at in levels] == pytest.approx(values, abs=1e-9)


@pytest.mark.parametrize("at", [-10.1, 5.01, float("nan")])
def test_outside_the_ladder_there_is_no_value(at):
    value = at_input(np.arange(-10.0, 6.0), np.arange(16.0), at, name="drain current")

    assert isinstance(value, Absent)
    assert value.reason.startswith("drain current: ")
    assert value.reason.endswith("is outside the ladder, -10.00 to +5.00 dBm")


def test_a_missing_reading_matters_only_beside_it():
    levels, values = np.arange(6.0), np.array([0.0, 1.0, np.nan, 3.0, 4.0, 5.0])

    assert isinstance(at_input(levels, values, 1.5), Absent)
    assert isinstance(at_input(levels, values, 2.5), Absent)
    assert at_input(levels, values, 3.5) == pytest.approx(3.5)
    assert at_input(levels, values, 0.5) == pytest.approx(0.5)


@given(devices, steps, phases, st.floats(0.5, 25))
def test_the_input_for_an_output_gives_that_output(device, step_db, phase, back_off_db):
    levels, outputs = device.ladder(step_db=step_db, phase=phase)
    target = device.input_at_compression_dbm() + device.gain_db - 1 - back_off_db

    level = input_at_output(levels, outputs, target)

    assert isinstance(level, float)
    assert float(device.output_dbm(np.array(level))) == pytest.approx(target, abs=0.01)


def test_beyond_the_highest_output_only_the_rising_branch_counts():
    """A tube's output falls again when overdriven: a back-off is read on the way up."""
    levels = np.arange(-10.0, 11.0)
    outputs = 30 - (levels / 5) ** 2

    level = input_at_output(levels, outputs, 28.0)

    assert level == pytest.approx(-5 * np.sqrt(2), abs=0.02)


@pytest.mark.parametrize(("target", "words"), [(40.0, "above the ladder's highest"), (-50, "below the ladder's lowest")])
def test_an_output_outside_the_ladder_has_no_input(target, words):
    level = input_at_output(*Device().ladder(), target)

    assert isinstance(level, Absent)
    assert words in level.reason


def test_both_ends_of_the_ladder_belong_to_it():
    levels, outputs = Device().ladder()

    assert input_at_output(levels, outputs, float(outputs[0])) == pytest.approx(levels[0])
    assert input_at_output(levels, outputs, float(outputs[-1])) == pytest.approx(levels[-1])


def test_an_output_beside_a_missing_reading_has_no_input():
    levels, outputs = Device().ladder()
    target = float(outputs[10])
    outputs[10] = np.nan

    level = input_at_output(levels, outputs, target)

    assert isinstance(level, Absent)
    assert "without reading" in level.reason
