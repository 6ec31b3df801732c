"""Two-port figures: identities that must hold for any S, and what is refused."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from benchkit.results import (
    Absent,
    gain_flatness,
    gain_slope,
    gains,
    group_delay,
    is_passive,
    is_reciprocal,
    maximum_gain,
    mismatch,
    reciprocity_error,
    stability,
    vswr,
    worst_in_band,
)
from benchkit.results.matching import gamma_from_vswr, mismatch_loss_db, return_loss_db

waves = st.builds(lambda m, a: m * cmath.exp(1j * a), st.floats(0.01, 0.95), st.floats(-math.pi, math.pi))
two_ports = st.builds(lambda a, b, c, d, g: np.array([[[a, b], [g * c, d]]]), waves, waves, waves, waves, st.floats(1.0, 10.0))


@given(two_ports)
def test_k_and_delta_say_the_same_as_either_mu(s):
    """Edwards and Sinsky: mu > 1, mu' > 1, and K > 1 with |delta| < 1 are one statement."""
    found = stability(s)
    assume(abs(found.mu[0] - 1) > 1e-6)

    classic = found.k[0] > 1 and abs(found.delta[0]) < 1
    assert (found.mu[0] > 1) == (found.mu_prime[0] > 1) == classic


@given(two_ports, waves, waves)
def test_transducer_gain_is_never_above_power_or_available_gain(s, source, load):
    found = gains(s, source, load)

    for other in (found.power[0], found.available[0]):
        assert math.isnan(other) or found.transducer[0] <= other * (1 + 1e-9)


@given(two_ports, waves, waves)
def test_no_termination_beats_the_maximum_available_gain(s, source, load):
    available = maximum_gain(s).available_db[0]
    assume(not math.isnan(available))

    assert 10 * math.log10(gains(s, source, load).transducer[0]) <= available + 1e-6


def test_a_device_without_feedback_has_a_gain_and_infinite_stability():
    """The unilateral limit must not divide by zero: |S21|^2 / ((1 - |S11|^2)(1 - |S22|^2))."""
    s = np.array([[[0.5, 0], [3.0, 0.6j]]])

    found, gain = stability(s), maximum_gain(s)

    assert np.isinf(found.k[0])
    assert found.is_unconditional[0]
    assert np.isinf(gain.stable_db[0])
    assert 10 ** (gain.available_db[0] / 10) == pytest.approx(9 / (0.75 * 0.64))


def test_a_frequency_without_reading_stays_without():
    s = np.array([[[0.1, 0.1], [1, 0.1]], [[math.nan, math.nan], [math.nan, math.nan]]])

    found = stability(s)

    assert np.isnan([found.k[1], found.mu[1], maximum_gain(s).available_db[1], reciprocity_error(s)[1]]).all()
    assert np.isfinite(found.k[0])
    assert not found.is_unconditional[1]
    assert not is_passive(s, 0.1)[1]
    assert not is_reciprocal(s, 0.1)[1]


def test_a_gain_through_a_port_that_gives_power_out_is_not_a_number():
    """With |gamma in| >= 1 "power into the input" is negative: no power gain, but a transducer gain all the same."""
    s = np.array([[[0.9, 0.2], [4.0, 0.5]]])

    found = gains(s, 0.0, 0.8)

    assert abs(found.input_gamma[0]) > 1
    assert math.isnan(found.power[0])
    assert found.transducer[0] > 0


@given(waves, waves)
def test_attenuators_are_reciprocal_and_passive_and_amplifiers_are_not(a, b):
    attenuator = np.array([[[0, a], [a, 0]]])
    amplifier = np.array([[[0, 0.01 * b], [1.5 + a, 0]]])

    assert is_reciprocal(attenuator, 1e-12)[0]
    assert is_passive(attenuator, 1e-12)[0]
    assert not is_reciprocal(amplifier, 0.01)[0]


@pytest.mark.parametrize("bad", [np.zeros((2, 2)), np.zeros((0, 2, 2)), np.zeros((3, 1, 1)), np.full((1, 2, 2), np.inf)])
def test_what_is_no_two_port_over_frequency_is_refused(bad):
    with pytest.raises(ValueError):
        stability(bad)


def test_impossible_terminations_and_tolerances_are_refused():
    s = np.full((2, 2, 2), 0.1)

    with pytest.raises(ValueError, match=r"source reaches \|gamma\| = 1.000"):
        gains(s, 1.0)
    with pytest.raises(ValueError, match="shape"):
        gains(s, 0.0, [0.1, 0.2, 0.3])
    with pytest.raises(ValueError, match="tolerance"):
        is_passive(s, -0.1)
    with pytest.raises(ValueError, match="S21 is zero at point 0"):
        maximum_gain(np.zeros((1, 2, 2)))


def test_ends_of_the_reflection_scale():
    assert np.isinf(return_loss_db(0.0))
    assert np.isinf(vswr(1.0))
    assert np.isnan(vswr(1.1))
    assert return_loss_db(1.1) < 0
    assert np.isinf(mismatch_loss_db(1.0))
    assert np.isnan(mismatch_loss_db(1.1))
    with pytest.raises(ValueError):
        gamma_from_vswr(0.9)


def test_mismatch_must_say_which_convention():
    """One is twice the other: a default would be wrong half of the time."""
    with pytest.raises(ValueError, match="'known magnitudes'"):
        mismatch(0.1, 0.1, "usual")
    with pytest.raises(ValueError):
        mismatch(1.0, 0.1, "known magnitudes")


def test_flatness_and_worst_case_are_read_with_the_edges_of_the_band():
    """A band's edge between two points counts: the gain there is not better than at the last point inside."""
    f, gain = np.array([1.0, 2.0, 3.0, 4.0]) * 1e9, np.array([20.0, 22.0, 24.0, 26.0])

    flat = gain_flatness(f, gain, 1.5e9, 3.25e9)
    worst = worst_in_band(f, gain, 1.5e9, 3.25e9, "lowest")

    assert flat.peak_to_peak_db == pytest.approx(3.5)
    assert (worst.value, worst.frequency_hz) == (pytest.approx(21.0), 1.5e9)


def test_a_sweep_that_does_not_cover_the_band_has_no_flatness():
    f, gain = np.array([1.0, 2.0, 3.0]) * 1e9, np.array([20.0, 21.0, 22.0])

    for low, high in ((0.5e9, 2e9), (2e9, 3.5e9)):
        absent = gain_flatness(f, gain, low, high)
        assert isinstance(absent, Absent)
        assert "1 to 3 GHz does not cover" in absent.reason


@pytest.mark.parametrize(("missing", "is_absent"), [(0, False), (1, True), (2, True), (3, True), (4, False)])
def test_a_missing_reading_matters_where_the_band_needs_it(missing, is_absent):
    f, gain = np.arange(1.0, 6.0) * 1e9, np.full(5, 20.0)
    gain[missing] = math.nan

    found = worst_in_band(f, gain, 2e9, 3.5e9, "highest")

    assert isinstance(found, Absent) == is_absent


def test_a_slope_needs_three_measured_points():
    absent = gain_slope(np.array([1.0, 2.0, 3.0]) * 1e9, [1, 2, 3], 1.5e9, 2.5e9)

    assert isinstance(absent, Absent)
    assert "holds 1 points" in absent.reason


def test_a_phase_that_cannot_be_followed_has_no_group_delay():
    """A sweep too coarse for the cable in it gives a delay that is wrong, even of the wrong sign."""
    f = np.arange(1.0, 2.0, 0.1) * 1e9

    coarse = group_delay(f, np.exp(-2j * np.pi * f * 4e-9), 3)
    missing = group_delay(f, np.where(f > 1.5e9, np.nan, 1.0), 3)

    assert isinstance(coarse, Absent)
    assert "144 degrees" in coarse.reason
    assert isinstance(missing, Absent)


def test_bad_calls_about_bands_are_refused():
    f, y = np.array([1.0, 2.0, 3.0]) * 1e9, np.ones(3)

    with pytest.raises(ValueError, match="ascending"):
        gain_flatness(f[::-1], y, 1e9, 2e9)
    with pytest.raises(ValueError, match="is none"):
        gain_flatness(f, y, 2e9, 2e9)
    with pytest.raises(ValueError, match="worst"):
        worst_in_band(f, y, 1e9, 2e9, "best")
    with pytest.raises(ValueError, match="window"):
        group_delay(f, y, 4)
