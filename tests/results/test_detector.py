"""The detector's law: what it is fitted to, what it refuses, and what it never extrapolates."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.results import Absent, DetectorError, DetectorLaw, detector_temperature_error, fit_detector_law

POWERS = np.arange(0.0, 28.0)
REFERENCE = np.full(POWERS.size, 0.7)


def diode(slope: float, intercept_dbm: float, powers=POWERS):
    return 10 ** (slope * (powers - intercept_dbm) / 10)


def law_of(*args, **options) -> DetectorLaw:
    law = fit_detector_law(*args, **options)
    assert isinstance(law, DetectorLaw), law
    return law


@given(st.floats(0.4, 1.1), st.floats(10, 45), st.floats(-0.5, 1.5))
def test_a_law_without_scatter_is_given_back(slope, intercept_dbm, reference_v):
    """And the bias that both diodes share drops out."""
    reference = np.full(POWERS.size, reference_v)

    law = law_of(POWERS, reference + diode(slope, intercept_dbm), reference)

    assert law.slope == pytest.approx(slope, rel=1e-5)
    assert law.intercept_dbm == pytest.approx(intercept_dbm, abs=1e-3)
    assert law.residual_db < 1e-3
    assert (law.points, law.refused) == (POWERS.size, ())


@given(st.floats(0.5, 1.0), st.floats(-30, 30))
def test_a_constant_path_error_moves_the_intercept_alone(slope, shift_db):
    law = law_of(POWERS, REFERENCE + diode(slope, 30), REFERENCE)

    shifted = law_of(POWERS + shift_db, REFERENCE + diode(slope, 30), REFERENCE)

    assert shifted.slope == pytest.approx(law.slope, rel=1e-9)
    assert shifted.intercept_dbm == pytest.approx(law.intercept_dbm + shift_db, abs=1e-6)


def test_scatter_is_told_in_decibels_of_output_power():
    """0.1 dB of scatter in power is 0.1 dB of residual, whatever the slope; the standard errors hold the truth."""
    rng = np.random.default_rng(4)
    scatter = rng.normal(0, 0.1, POWERS.size)
    misses = []
    for slope in (0.5, 1.0):
        law = law_of(POWERS, diode(slope, 30, POWERS + scatter), np.zeros(POWERS.size))
        assert law.residual_db == pytest.approx(0.1, rel=0.35)
        assert abs(law.worst_residual_db) == pytest.approx(np.abs(scatter).max(), rel=0.35)
        misses += [(law.slope - slope) / law.slope_standard_error]
        misses += [(law.intercept_dbm - 30) / law.intercept_standard_error_db]
    assert max(map(abs, misses)) < 3


def test_standard_error_of_the_intercept_is_the_spread_of_intercepts():
    """It lies outside the points, where slope and offset err together: without their covariance it would be wrong."""
    rng = np.random.default_rng(5)
    laws = [law_of(POWERS, diode(0.8, 40, POWERS + rng.normal(0, 0.1, POWERS.size)), 0 * POWERS) for _ in range(400)]

    spread = np.std([law.intercept_dbm for law in laws], ddof=1)

    assert np.mean([law.intercept_standard_error_db for law in laws]) == pytest.approx(spread, rel=0.12)


def test_points_that_say_nothing_are_refused_with_a_reason():
    detector = REFERENCE + diode(0.8, 30)
    detector[0] = 0.69
    detector[1] = 0.7
    detector[2] = 0.7 + 1e-4
    detector[5] = np.nan

    law = law_of(POWERS, detector, REFERENCE, floor_v=2e-4)

    reasons = {point.index: point.reason for point in law.refused}
    assert list(reasons) == [0, 1, 2, 5]
    assert reasons[0] == "detector minus reference is -0.01 V, not above zero"
    assert reasons[1] == "detector minus reference is 0 V, not above zero"
    assert reasons[2].endswith("not above the voltmeter's floor 0.0002 V")
    assert reasons[5] == "no reading"
    assert law.points == POWERS.size - 4
    assert law.slope == pytest.approx(0.8)


@pytest.mark.parametrize(
    ("powers", "volts", "words"),
    [
        ([1, 2, 3], [0.1, 0.2, -0.1], "2 usable points of 3, 3 are needed (first refused, point 2"),
        ([], [], "0 usable points of 0"),
        ([5, 5, 5], [0.1, 0.2, 0.3], "all 3 usable points are at one output power, +5.00 dBm"),
        ([1, 2, 3], [0.3, 0.2, 0.1], "voltage does not rise with power"),
    ],
)
def test_no_law_without_points_that_make_one(powers, volts, words):
    law = fit_detector_law(powers, volts, np.zeros(len(volts)))

    assert isinstance(law, Absent)
    assert words in law.reason


def test_the_law_is_not_read_outside_its_range():
    law = law_of(POWERS, diode(0.8, 30), 0 * POWERS)
    inside, outside = law.highest_v, law.highest_v * 1.01

    powers = law.power_dbm([law.lowest_v, inside, outside, law.lowest_v * 0.99, -1.0, math.nan])

    assert powers[:2] == pytest.approx([0.0, 27.0])
    assert np.isnan(powers[2:]).all()


@given(st.floats(-1.5, 1.5))
def test_temperature_error_is_the_power_read_less_the_true_power(drift_db):
    """A diode that answers as if there were `drift_db` more power reads high by just that."""
    room = law_of(POWERS, diode(0.8, 30), 0 * POWERS)

    error = detector_temperature_error(room, POWERS, diode(0.8, 30, POWERS + drift_db), 0 * POWERS)

    assert isinstance(error, DetectorError)
    used = ~np.isnan(error.error_db)
    assert error.error_db[used] == pytest.approx(drift_db, abs=1e-6)
    assert error.worst_db == pytest.approx(drift_db, abs=1e-6)
    assert error.mean_db == pytest.approx(drift_db, abs=1e-6)
    assert error.points + len(error.refused) == POWERS.size
    assert all("outside the law's range" in point.reason for point in error.refused)


def test_the_worst_temperature_error_is_named_with_its_power():
    room = law_of(POWERS, diode(0.8, 30), 0 * POWERS)
    drift = np.zeros(POWERS.size)
    drift[7] = -0.4

    error = detector_temperature_error(room, POWERS, diode(0.8, 30, POWERS + drift), 0 * POWERS)

    assert isinstance(error, DetectorError)
    assert (error.worst_db, error.worst_at_dbm) == pytest.approx((-0.4, 7.0))


def test_no_temperature_error_when_no_point_is_within_the_law():
    room = law_of(POWERS, diode(0.8, 30), 0 * POWERS)

    error = detector_temperature_error(room, POWERS, diode(0.8, 90), 0 * POWERS)

    assert isinstance(error, Absent)
    assert error.reason.startswith("detector error: none of 28 points is usable")


def test_a_call_that_cannot_be_right_raises():
    law = law_of(POWERS, diode(0.8, 30), 0 * POWERS)

    with pytest.raises(ValueError):
        fit_detector_law(POWERS, REFERENCE, REFERENCE, floor_v=-1.0)
    with pytest.raises(ValueError):
        detector_temperature_error(law, POWERS, REFERENCE, REFERENCE, floor_v=math.nan)
    with pytest.raises(ValueError):
        fit_detector_law(POWERS, REFERENCE[:3], REFERENCE)
