"""Saturated power: reported only when the output has stopped following the drive."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.results import Absent, SaturatedPower, saturated_power
from tests.results.ladders import Device, devices


@given(devices, st.integers(0, 2**32 - 1))
def test_a_ladder_that_stops_at_compression_has_no_saturated_power(device, seed):
    """At 1 dB compression the output still rises by 0.2 dB/dB at least; its last reading is not the saturated power."""
    levels, outputs = device.ladder(above_db=0)

    power = saturated_power(levels, outputs + np.random.default_rng(seed).normal(0, 0.01, outputs.size))

    assert isinstance(power, Absent)
    assert "not reached: output still rises by" in power.reason


@given(st.floats(1.5, 4), st.floats(-30, 30))
def test_a_saturated_ladder_gives_its_highest_output(p, shift_db):
    """Below 0.1 dB/dB a Rapp device with p >= 1.5 is within 0.4 dB of its saturation, never above it."""
    device = Device(p=p)
    levels, outputs = device.ladder(above_db=20)

    power = saturated_power(levels + shift_db, outputs)

    assert isinstance(power, SaturatedPower)
    assert device.saturated_dbm - 0.4 < power.output_dbm <= device.saturated_dbm
    assert power.output_dbm == outputs.max()
    assert power.input_dbm == pytest.approx(levels[-1] + shift_db)


def test_the_slope_is_that_of_the_end():
    levels = np.arange(0.0, 10.0)
    outputs = np.where(levels < 6, levels, 6 + 0.05 * (levels - 6))

    power = saturated_power(levels, outputs)

    assert isinstance(power, SaturatedPower)
    assert power.end_slope_db_per_db == pytest.approx(0.05)
    assert power.over_db == 2.0  # at least three points
    assert power.convention == "highest output; saturated: output rises by less than 0.1 dB per dB of drive at the end"
    assert isinstance(saturated_power(levels, outputs, slope_max_db_per_db=0.04), Absent)
    assert isinstance(saturated_power(levels, outputs, over_db=5.0), Absent)


def test_an_output_that_falls_again_is_saturated_at_its_peak():
    levels = np.arange(-5.0, 6.0)

    power = saturated_power(levels, 30 - levels**2 / 20)

    assert power == SaturatedPower(30.0, 0.0, pytest.approx(-0.4), pytest.approx(0.0289, abs=1e-3), 0.1, 2.0)


def test_a_stray_high_reading_is_not_the_saturated_power():
    levels, outputs = Device().ladder(above_db=20)
    outputs[20] = 33.0

    power = saturated_power(levels, outputs)

    assert isinstance(power, Absent)
    assert "stands alone" in power.reason


def test_an_end_too_noisy_to_tell_is_absent():
    levels = np.arange(0.0, 8.0)
    outputs = np.array([20, 21, 22, 23, 24, 25.3, 24.6, 25.2])

    power = saturated_power(levels, outputs)

    assert isinstance(power, Absent)
    assert power.reason.startswith("saturation cannot be told")


def test_a_missing_reading_at_the_top_leaves_it_open():
    """Above the meter's range there is no reading: the highest one left is not the highest there was."""
    levels, outputs = Device().ladder(above_db=20)
    low, inside, last = outputs.copy(), outputs.copy(), outputs.copy()
    low[:3], inside[25], last[-1] = np.nan, np.nan, np.nan

    assert isinstance(saturated_power(levels, low), SaturatedPower)
    assert isinstance(saturated_power(levels, inside), Absent)
    assert isinstance(saturated_power(levels, last), Absent)


@pytest.mark.parametrize(
    "arguments", [{"slope_max_db_per_db": 0.0}, {"slope_max_db_per_db": 1.0}, {"over_db": 0.0}, {"alone_db": -1.0}]
)
def test_a_call_that_cannot_be_right_raises(arguments):
    with pytest.raises(ValueError):
        saturated_power(*Device().ladder(), **arguments)
