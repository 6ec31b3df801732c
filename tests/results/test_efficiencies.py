"""Efficiencies: no number without DC power, without a reading, or below the ladder."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.results import (
    Absent,
    EfficiencyPoint,
    dc_power_w,
    drain_efficiency_percent,
    efficiency_at_input,
    efficiency_at_output,
    efficiency_in_back_off,
    pae_percent,
)
from tests.results.ladders import Device

LEVELS, OUTPUTS = Device().ladder(below_db=20)
VOLTS = np.full(LEVELS.size, 6.0)
AMPERES = np.linspace(0.25, 0.4, LEVELS.size)


def test_without_dc_power_there_is_no_efficiency():
    """A pinched device draws nothing, or a little less than nothing by the meter: not an infinite efficiency."""
    powers = np.array([2.0, 0.0, -1e-6, np.nan])

    assert drain_efficiency_percent(30.0, powers) == pytest.approx([50.0, np.nan, np.nan, np.nan], nan_ok=True)
    assert pae_percent(20.0, 30.0, powers) == pytest.approx([45.0, np.nan, np.nan, np.nan], nan_ok=True)


@given(st.floats(-20, 30), st.floats(-10, 40), st.floats(0.01, 100))
def test_pae_is_below_drain_efficiency_and_negative_without_gain(input_dbm, output_dbm, power_w):
    eta, pae = float(drain_efficiency_percent(output_dbm, power_w)), float(pae_percent(input_dbm, output_dbm, power_w))

    assert pae < eta
    assert pae >= 0 or output_dbm <= input_dbm
    assert pae <= 0 or output_dbm >= input_dbm


def test_at_a_point_of_the_ladder_the_efficiency_is_that_of_its_readings():
    point = efficiency_at_input(LEVELS, OUTPUTS, VOLTS, AMPERES, float(LEVELS[12]))

    assert isinstance(point, EfficiencyPoint)
    power = float(dc_power_w(6.0, AMPERES[12]))
    assert point.output_dbm == pytest.approx(OUTPUTS[12])
    assert point.drain_current_a == pytest.approx(AMPERES[12])
    assert point.dc_power_w == pytest.approx(power)
    assert point.drain_efficiency_percent == pytest.approx(float(drain_efficiency_percent(OUTPUTS[12], power)))
    assert point.pae_percent == pytest.approx(float(pae_percent(LEVELS[12], OUTPUTS[12], power)))


def test_zero_back_off_is_the_level_itself():
    back_off = efficiency_in_back_off(LEVELS, OUTPUTS, VOLTS, AMPERES, from_dbm=20.0, back_off_db=0.0)

    assert back_off == efficiency_at_output(LEVELS, OUTPUTS, VOLTS, AMPERES, 20.0)


def test_a_back_off_below_the_ladder_is_absent():
    point = efficiency_in_back_off(LEVELS, OUTPUTS, VOLTS, AMPERES, from_dbm=27.0, back_off_db=30.0)

    assert isinstance(point, Absent)
    assert point.reason.startswith("30 dB back-off from +27.00 dBm: output -3.00 dBm is below the ladder's lowest")


def test_a_level_above_the_ladder_is_absent():
    assert isinstance(efficiency_at_output(LEVELS, OUTPUTS, VOLTS, AMPERES, 35.0), Absent)


def test_a_missing_current_is_named():
    amperes = AMPERES.copy()
    amperes[12] = np.nan

    point = efficiency_at_input(LEVELS, OUTPUTS, VOLTS, amperes, float(LEVELS[12]))

    assert isinstance(point, Absent)
    assert point.reason.startswith("drain current: no reading beside")


def test_no_power_drawn_is_absent():
    point = efficiency_at_input(LEVELS, OUTPUTS, VOLTS, np.zeros(LEVELS.size), 0.0)

    assert isinstance(point, Absent)
    assert point.reason.startswith("DC power is 0 W")


def test_a_call_that_cannot_be_right_raises():
    with pytest.raises(ValueError):
        efficiency_in_back_off(LEVELS, OUTPUTS, VOLTS, AMPERES, from_dbm=20.0, back_off_db=-1.0)
    with pytest.raises(ValueError):
        efficiency_at_input(LEVELS, OUTPUTS, VOLTS[:3], AMPERES, 0.0)
