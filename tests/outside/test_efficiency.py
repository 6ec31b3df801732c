"""Outside checks of the efficiencies: a textbook example and the closed forms of classes A and B."""

from __future__ import annotations

import math

import numpy as np
import pytest

from benchkit.results import (
    EfficiencyPoint,
    dc_power_w,
    drain_efficiency_percent,
    efficiency_at_output,
    efficiency_in_back_off,
    pae_percent,
)

LADDER = np.arange(-10.0, 20.5, 1.0)  # input; the ideal stages below have a gain of 20 dB up to their highest output
PEAK_DBM = 40.0
PEAK_W = 10.0
SUPPLY_V = 28.0


def test_power_added_efficiency_of_the_worked_example():
    """
    Pozar, Microwave Engineering, 4th ed., Example 12.9 (p. 600): 10 W out, 16.4 dB gain, drain efficiency 26 %, 28 V.

    The book prints Pin 229 mW, PDC 38.5 W, ID 1.37 A, PAE 25 %.
    """
    output_dbm, gain_db, current_a = 40.0, 16.4, 10.0 / 0.26 / 28.0

    power_w = dc_power_w(28.0, current_a)

    assert float(power_w) == pytest.approx(38.5, abs=0.05)
    assert current_a == pytest.approx(1.37, abs=0.005)
    assert float(drain_efficiency_percent(output_dbm, power_w)) == pytest.approx(26.0, rel=1e-12)
    assert float(pae_percent(output_dbm - gain_db, output_dbm, power_w)) == pytest.approx(25.4044, abs=1e-4)


def test_power_added_efficiency_is_drain_efficiency_less_the_share_of_the_drive():
    """PAE = (1 - 1/G) eta (Pozar, 4th ed., eq. 12.89, p. 597)."""
    gain_db = np.linspace(0.5, 40, 80)
    eta = drain_efficiency_percent(27.0, 2.0)

    assert pae_percent(27.0 - gain_db, 27.0, 2.0) == pytest.approx((1 - 10 ** (-gain_db / 10)) * eta, rel=1e-12)


@pytest.mark.parametrize("back_off_db", [0.0, 3.0, 6.0, 10.0, 17.3])
def test_class_a_loses_efficiency_as_power(back_off_db):
    """Class A: constant DC power, eta = 50 % x 10^(-OBO/10): 12.56 % at 6 dB, 5.00 % at 10 dB (Cripps)."""
    currents = np.full(LADDER.size, 2 * PEAK_W / SUPPLY_V)

    point = in_back_off(currents, back_off_db)

    assert point.drain_efficiency_percent == pytest.approx(50 * 10 ** (-back_off_db / 10), rel=1e-9)
    assert point.pae_percent == pytest.approx(0.99 * 50 * 10 ** (-back_off_db / 10), rel=1e-9)


@pytest.mark.parametrize("back_off_db", [0.0, 3.0, 6.0, 10.0, 17.3])
def test_class_b_loses_efficiency_as_voltage(back_off_db):
    """
    Class B: current follows the amplitude, eta = 78.54 % x 10^(-OBO/20): 39.36 % at 6 dB, 24.84 % at 10 dB (Cripps).

    Between the points of a 1 dB ladder the current is interpolated: tolerance 1e-4 of the value.
    """
    currents = PEAK_W / (math.pi / 4) / SUPPLY_V * 10 ** ((LADDER + 20 - PEAK_DBM) / 20)

    point = in_back_off(currents, back_off_db)

    assert point.drain_efficiency_percent == pytest.approx(25 * math.pi * 10 ** (-back_off_db / 20), rel=1e-4)


def test_printed_back_off_figures():
    """The same theory in figures: at 6 dB 12.56 % (A) and 39.36 % (B), at 10 dB 5.00 % and 24.84 %."""
    class_a = np.full(LADDER.size, 2 * PEAK_W / SUPPLY_V)
    class_b = PEAK_W / (math.pi / 4) / SUPPLY_V * 10 ** ((LADDER + 20 - PEAK_DBM) / 20)

    figures = [in_back_off(c, db).drain_efficiency_percent for db in (6.0, 10.0) for c in (class_a, class_b)]

    assert figures == pytest.approx([12.56, 39.36, 5.00, 24.84], abs=0.006)


def test_a_level_asked_for_is_the_level_answered():
    point = efficiency_at_output(LADDER, LADDER + 20, np.full(LADDER.size, 28.0), np.ones(LADDER.size), 33.3)

    assert isinstance(point, EfficiencyPoint)
    assert (point.output_dbm, point.input_dbm) == pytest.approx((33.3, 13.3))


def in_back_off(currents_a, back_off_db: float) -> EfficiencyPoint:
    volts = np.full(LADDER.size, SUPPLY_V)
    point = efficiency_in_back_off(LADDER, LADDER + 20, volts, currents_a, from_dbm=PEAK_DBM, back_off_db=back_off_db)
    assert isinstance(point, EfficiencyPoint), point
    return point
