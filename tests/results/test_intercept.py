"""Intercept points: what makes one, and every way in which there is none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.results import (
    Absent,
    InterceptFit,
    InterceptPoint,
    attenuator_step,
    cascaded_intercept_dbm,
    fit_intercept,
    intercept_distance_db,
    intercept_point,
)

DRIVE = np.arange(-20.0, -5.0, 1.0)
GAIN, OIP3 = 24.0, 37.0


def ladder(**changes) -> dict:
    tone = DRIVE + GAIN
    product = 3 * tone - 2 * OIP3
    columns = {"drive_dbm": DRIVE, "lower_tone_dbm": tone, "upper_tone_dbm": tone}
    columns |= {"lower_product_dbm": product, "upper_product_dbm": product}
    return columns | {"p1db_dbm": 27.0, "back_off_db": 8.0, "noise_dbm": -90.0} | changes


@given(st.floats(-60, 30), st.floats(-3, 3), st.floats(0, 40), st.sampled_from([3, 5]))
def test_products_of_a_known_intercept_give_it_back(tone, difference, above, order):
    """Any level, any difference of the tones, either order: P_n,lower = (n+1)/2 P1 + (n-1)/2 P2 - (n-1) OIPn."""
    lower, upper, oip = tone - difference / 2, tone + difference / 2, tone + 5 + above
    up, down = (order + 1) / 2, (order - 1) / 2

    found = intercept_point(
        lower, upper, up * lower + down * upper - 2 * down * oip, up * upper + down * lower - 2 * down * oip, order=order
    )

    assert isinstance(found, InterceptPoint)
    assert (found.intercept_dbm, found.lower_dbm, found.upper_dbm) == pytest.approx((oip,) * 3, abs=1e-9)
    assert f"OIP{order}" in found.convention


def test_a_ladder_on_its_slope_has_an_intercept():
    found = fit_intercept(**ladder())

    assert isinstance(found, InterceptFit)
    assert found.intercept_dbm == pytest.approx(OIP3, abs=1e-9)
    assert (found.lower_slope, found.upper_slope, found.tone_slope) == pytest.approx((3, 3, 1))
    # Both tones together are 3.01 dB above one: 27 - 8 - 3.01 = 15.99 dBm per tone at most, drive -8.01 dBm.
    assert (len(found.points), found.not_backed_off) == (12, 3)
    assert "8 dB or more below P1dB" in found.convention


def test_a_product_off_its_slope_has_no_intercept():
    """Cancellation, memory or the analyser's own product: the arithmetic would still give a number."""
    bent = ladder()["lower_product_dbm"] + 0.4 * (DRIVE - DRIVE[0])

    found = fit_intercept(**ladder(upper_product_dbm=bent))

    assert isinstance(found, Absent)
    assert "the upper product rises by 3.40 dB per dB of drive, not 3 within 0.2" in found.reason
    assert isinstance(fit_intercept(**ladder(upper_product_dbm=bent, slope_tolerance=0.5)), InterceptFit)


def test_points_near_the_noise_are_not_used():
    """A product in the noise no longer falls by 3 dB per dB, and would make the intercept look low."""
    product = ladder()["lower_product_dbm"]
    noise = -60.0
    seen = 10 * np.log10(10 ** (product / 10) + 10 ** (noise / 10))

    found = fit_intercept(**ladder(lower_product_dbm=seen, upper_product_dbm=seen, noise_dbm=noise))
    too_near = fit_intercept(**ladder(lower_product_dbm=seen, upper_product_dbm=seen, noise_dbm=-27.0))

    assert isinstance(found, InterceptFit)
    assert found.in_noise > 0
    assert found.intercept_dbm == pytest.approx(OIP3, abs=0.25)
    assert isinstance(too_near, Absent)
    assert "with a product less than 10 dB above the noise" in too_near.reason


def test_points_without_reading_are_left_out_and_too_few_are_told():
    gaps = ladder()["lower_product_dbm"].copy()
    gaps[:4] = np.nan

    found = fit_intercept(**ladder(lower_product_dbm=gaps))
    none = fit_intercept(**ladder(lower_product_dbm=np.full(DRIVE.size, np.nan)))

    assert isinstance(found, InterceptFit)
    assert len(found.points) == 8
    assert isinstance(none, Absent)
    assert "0 of 15 points are left, three are needed" in none.reason
    assert "15 not read" in none.reason


@pytest.mark.parametrize(
    ("levels", "why"),
    [
        ((0.0, 3.1, -40.0, -40.0), "tones differ by 3.10 dB"),
        ((0.0, math.nan, -40.0, -40.0), "no reading"),
        ((0.0, 0.0, -40.0, 1.0), "not below the tones"),
    ],
)
def test_readings_that_make_no_intercept(levels, why):
    found = intercept_point(*levels)

    assert isinstance(found, Absent)
    assert why in found.reason


def test_a_distance_from_something_absent_is_absent_for_its_reason():
    missing = Absent("1 dB compression not reached")

    assert intercept_distance_db(37.0, 27.0) == 10.0
    assert intercept_distance_db(37.0, missing) == missing
    assert intercept_distance_db(missing, 27.0) == missing


@pytest.mark.parametrize(
    "change",
    [
        {"order": 4},
        {"back_off_db": 0.0},
        {"p1db_dbm": math.nan},
        {"noise_dbm": math.nan},
        {"slope_tolerance": -1.0},
        {"drive_dbm": DRIVE[::-1]},
        {"lower_tone_dbm": DRIVE[1:]},
    ],
)
def test_bad_calls_are_refused(change):
    with pytest.raises(ValueError):
        fit_intercept(**ladder(**change))


def test_a_cascade_needs_stages_with_numbers():
    with pytest.raises(ValueError):
        cascaded_intercept_dbm([], [], coherent=True)
    with pytest.raises(ValueError):
        cascaded_intercept_dbm([10.0], [math.nan], coherent=True)


@given(st.floats(0.01, 10.0), st.floats(2.0, 20.0))
def test_the_worst_case_of_a_cascade_is_never_better_than_the_mean_one(low, gain):
    stages = ([gain, -low, gain], [20.0, 15.0 - low, 22.0])

    assert cascaded_intercept_dbm(*stages, coherent=True) <= cascaded_intercept_dbm(*stages, coherent=False)


def test_an_attenuator_step_tells_whose_product_it_is():
    """The device's product stays; the analyser's own falls by twice the step; noise rises by the step."""
    own, device, noise = (attenuator_step(-70.0, -70.0 + change, 10.0, tolerance_db=0.5) for change in (-20.0, 0.2, 3.0))

    assert not own.is_clean
    assert own.change_db == own.own_change_db == -20.0
    assert "partly the analyser's" in own.reason
    assert device.is_clean
    assert not noise.is_clean
    assert "noise" in noise.reason


@pytest.mark.parametrize(
    "call",
    [
        {"step_db": 0.0},
        {"step_db": 10.0, "tolerance_db": 20.0},
        {"step_db": 10.0, "order": 1},
        {"step_db": 10.0, "product_dbm": math.nan},
    ],
)
def test_attenuator_steps_that_show_nothing_are_refused(call):
    with pytest.raises(ValueError):
        attenuator_step(**({"product_dbm": -70.0, "product_attenuated_dbm": -70.0, "tolerance_db": 0.5} | call))
