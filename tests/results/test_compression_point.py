"""Compression: found where it is, absent with a reason where it is not, and moved by nothing that should not."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.results import (
    Absent,
    CompressionPoint,
    compression_point,
    gain_compression_db,
    gain_expansion_db,
)
from tests.results.ladders import Device, devices, phases, steps


def found(*args, **options) -> CompressionPoint:
    point = compression_point(*args, **options)
    assert isinstance(point, CompressionPoint), point
    return point


def absent(*args, **options) -> str:
    point = compression_point(*args, **options)
    assert isinstance(point, Absent), point
    return point.reason


@given(devices, steps, phases)
def test_found_on_any_grid_for_any_knee(device, step_db, phase):
    """Stated error 0.004 dB up to p = 3, and what a soft knee is compressed already 30 dB below (0.006 dB at p = 1)."""
    point = found(*device.ladder(step_db=step_db, phase=phase))

    assert point.input_dbm == pytest.approx(device.input_at_compression_dbm(), abs=0.012)
    assert point.output_dbm == pytest.approx(device.input_at_compression_dbm() + device.gain_db - 1, abs=0.012)


@pytest.mark.parametrize(("p", "stated_db", "line_db"), [(1.5, 0.004, 0.03), (3.0, 0.004, 0.04), (6.0, 0.01, 0.04)])
def test_the_interpolation_keeps_its_stated_error_where_a_straight_line_would_not(p, stated_db, line_db):
    """The reason for the cubic: on a 1 dB grid a line through the two points is wrong by 0.03 dB and more."""
    device, cubic, line = Device(p=p), [], []
    for phase in np.linspace(0, 0.98, 50):
        levels, outputs = device.ladder(phase=float(phase), below_db=60)
        cubic.append(found(levels, outputs).input_dbm)
        line.append(float(np.interp(-1.0, (outputs - levels - device.gain_db)[:55:-1], levels[:55:-1])))

    worst, worst_line = (np.abs(np.array(x) - device.input_at_compression_dbm()).max() for x in (cubic, line))

    assert worst < stated_db
    assert worst_line > line_db


@given(devices, phases, st.floats(-50, 50), st.floats(-50, 50))
def test_a_constant_loss_moves_the_level_and_not_the_crossing(device, phase, input_shift_db, output_shift_db):
    """A wrong path loss shifts what is reported by itself and by no more: it cancels in the compression."""
    levels, outputs = device.ladder(phase=phase)
    point = found(levels, outputs)

    shifted = found(levels + input_shift_db, outputs + output_shift_db)

    assert shifted.input_dbm == pytest.approx(point.input_dbm + input_shift_db, abs=1e-7)
    assert shifted.output_dbm == pytest.approx(point.output_dbm + output_shift_db, abs=1e-7)
    assert shifted.gain_slope_db_per_db == pytest.approx(point.gain_slope_db_per_db, abs=1e-6)


@given(devices, st.lists(st.floats(0.2, 4.0), min_size=2, max_size=6, unique=True))
def test_more_compression_lies_at_more_drive(device, compressions):
    levels, outputs = device.ladder(above_db=15)

    points = [found(levels, outputs, c) for c in sorted(compressions)]

    assert all(a.input_dbm <= b.input_dbm for a, b in pairwise(points))
    assert all(a.output_dbm <= b.output_dbm + 0.02 for a, b in pairwise(points))


@given(devices, st.integers(0, 2**32 - 1), st.sampled_from([0.005, 0.02]))
def test_noise_moves_the_point_by_no_more_than_its_own_size_over_the_slope(device, seed, noise_db):
    """Five standard deviations of the sensitivity in `propagation`, and the interpolation's own error."""
    levels, outputs = device.ladder()
    clean = found(levels, outputs)

    noisy = found(levels, outputs + np.random.default_rng(seed).normal(0, noise_db, outputs.size))

    bound = 5 * noise_db * np.sqrt(1 + 1 / 3) / -clean.gain_slope_db_per_db
    assert abs(noisy.input_dbm - clean.input_dbm) < bound + 0.01


def test_the_crossing_lies_between_its_two_points():
    levels, outputs = Device().ladder(phase=0.3)

    point = found(levels, outputs)

    below = levels[levels < point.input_dbm][-1]
    assert point.input_dbm - below == pytest.approx(0.3, abs=0.01)
    assert point.points_beyond == 4
    assert point.gain_db == point.reference_gain_db - 1


def test_a_point_exactly_at_the_compression_is_the_point():
    """Rounding must not decide whether the last level of a ladder counts as compressed."""
    gains = np.array([24.1, 24.1, 24.1, 24.0, 23.7, 23.1])
    levels = np.array([-20.3, -15.1, -10.7, -5.9, -2.3, 0.1])

    point = found(levels, levels + gains)

    assert point.input_dbm == pytest.approx(0.1, abs=1e-8)


@pytest.mark.parametrize("dip_db", [1.05, 3.0, 20.0])
@pytest.mark.parametrize("reference", ["lowest levels", "maximum gain"])
def test_a_noisy_dip_at_low_drive_is_not_compression(dip_db, reference):
    """One bad reading far below compression: the first point beyond 1 dB, and yet not the compression point."""
    levels, outputs = Device().ladder()
    clean = found(levels, outputs, reference=reference)
    outputs[8] -= dip_db

    point = found(levels, outputs, reference=reference)

    assert point.input_dbm == pytest.approx(clean.input_dbm, abs=1e-9)
    assert point.contradictions == 1


def test_a_lone_high_reading_in_compression_does_not_move_the_point():
    """Taking the last crossing would put the point at that reading, decibels too high, and say nothing."""
    levels, outputs = Device().ladder(above_db=6)
    clean = found(levels, outputs)
    outputs[-2] = levels[-2] + clean.reference_gain_db

    point = found(levels, outputs)

    assert point.input_dbm == pytest.approx(clean.input_dbm, abs=1e-9)
    assert point.contradictions == 1


def test_several_crossings_that_no_noise_explains_are_absent():
    """A gain that dips by more than 1 dB over a range, recovers and falls again has no one compression point."""
    levels = np.arange(-15.0, 5.0)
    gain = np.full(levels.size, 20.0)
    gain[5:10] = 18.5
    gain[14:] = 18.0

    reason = absent(levels, levels + gain)

    assert "crossed 2 times" in reason


@pytest.mark.parametrize("reference", ["lowest levels", "maximum gain"])
def test_not_reached_is_absent_with_the_largest_compression_seen(reference):
    device = Device()
    levels, outputs = device.ladder(above_db=-1)
    seen_db = device.gain_db - (outputs[-1] - levels[-1])

    reason = absent(levels, outputs, reference=reference)

    seen = f"largest compression seen {seen_db:.2f} dB at input {levels[-1]:+.2f} dBm"
    assert reason == f"1 dB compression not reached: {seen}"
    assert 0.6 < seen_db < 0.7


def test_compression_that_is_lost_again_is_absent():
    """The last point must be compressed: a gain that recovers was perhaps never compressed at all."""
    levels, outputs = Device().ladder(above_db=2)
    outputs[-1] = levels[-1] + 23.9

    reason = absent(levels, outputs)

    assert "lost again" in reason


def test_the_two_references_differ_by_the_gain_expansion():
    """A gain that rises by 0.8 dB before it falls: counted from its top, compression comes earlier."""
    levels = np.arange(-20.0, 6.0, 0.5)
    gain = 20 + 0.8 * np.exp(-((levels + 2) ** 2) / 18) - np.where(levels > -2, (levels + 2) ** 2 / 12, 0)

    lowest = found(levels, levels + gain)
    highest = found(levels, levels + gain, reference="maximum gain")

    assert lowest.gain_expansion_db == pytest.approx(0.8, abs=0.01)
    assert highest.reference_gain_db - lowest.reference_gain_db == pytest.approx(0.8, abs=0.01)
    assert highest.gain_expansion_db == lowest.gain_expansion_db == gain_expansion_db(levels, levels + gain)
    assert highest.input_dbm < lowest.input_dbm - 0.5


@pytest.mark.parametrize("place", [0, 6, 20])
def test_one_stray_high_gain_does_not_become_the_maximum_gain(place):
    """It would put the compression point decibels too low, and look like expansion."""
    levels, outputs = Device().ladder()
    outputs[place] += 0.5

    assert "stands alone above its neighbours" in absent(levels, outputs, reference="maximum gain")


def test_a_stray_reading_above_the_lowest_levels_leaves_their_point_alone():
    levels, outputs = Device().ladder()
    clean = found(levels, outputs)
    outputs[6] += 0.5

    assert found(levels, outputs).input_dbm == pytest.approx(clean.input_dbm, abs=1e-9)


def test_without_expansion_the_expansion_is_zero():
    """The scatter among the reference levels themselves is not expansion."""
    levels, outputs = Device(p=1.0).ladder(below_db=8)

    assert gain_expansion_db(levels, outputs) == 0
    assert found(levels, outputs).gain_expansion_db == 0


@pytest.mark.parametrize(
    ("reference", "points", "words"),
    [
        ("lowest levels", 3, "reference gain: mean of the 3 lowest levels"),
        ("lowest levels", 1, "reference gain: lowest level"),
        ("maximum gain", 3, "reference gain: highest reading of the gain"),
    ],
)
def test_the_convention_is_said_in_words(reference, points, words):
    point = found(*Device().ladder(), reference=reference, reference_points=points)

    assert point.convention == words


def test_lowest_levels_that_disagree_are_no_reference():
    levels, outputs = Device().ladder()
    outputs[1] += 0.8

    reason = absent(levels, outputs)

    assert reason.startswith("no reference gain: the 3 lowest levels differ by 0.80 dB")


def test_compression_among_the_reference_levels_is_absent():
    """A ladder that starts in compression cannot say how much."""
    levels, outputs = Device().ladder(below_db=1, step_db=0.25)

    assert absent(levels, outputs, 0.1).startswith("no reference gain: the 3 lowest levels differ by")
    assert found(levels, outputs, 0.1, reference_points=1).reference_spread_db == 0


def test_levels_below_the_meters_range_are_left_out_and_counted():
    levels, outputs = Device().ladder()
    clean = found(levels, outputs)
    outputs[:4] = np.nan

    point = found(levels, outputs)

    assert point.unread == 4
    assert point.input_dbm == pytest.approx(clean.input_dbm, abs=0.001)


def test_a_missing_reading_beside_the_crossing_is_absent():
    """Between its neighbours lies twice the step: that is not what the stated interpolation error speaks of."""
    levels, outputs = Device().ladder()
    outputs[-5] = np.nan

    assert "beside a point without reading" in absent(levels, outputs)


@pytest.mark.parametrize(
    ("levels", "outputs", "words"),
    [
        ([], [], "ladder has 0 points; at least 4 are needed"),
        ([0.0], [20.0], "ladder has 1 point; at least 4"),
        ([0, 1, 2, 3, 4], [20, np.nan, 22, np.nan, 24], "ladder has 3 points with a reading and 2 without"),
        ([0, 1, 1, 2, 3], [20, 21, 21, 22, 23], "not ascending: +1.000 dBm follows +1.000 dBm"),
        ([0, 1, 3, 2, 4], [20, 21, 23, 22, 24], "not ascending: +2.000 dBm follows +3.000 dBm"),
    ],
)
def test_a_ladder_that_cannot_be_read_says_why(levels, outputs, words):
    """One torn ladder must not fail a whole night: it is absent with its reason and the rest is summed up."""
    assert words in absent(levels, outputs)


@pytest.mark.parametrize(
    "arguments",
    [
        {"compression_db": 0.0},
        {"compression_db": -1.0},
        {"compression_db": float("nan")},
        {"reference": "highest"},
        {"reference_points": 0},
        {"output_dbm": [1.0, 2.0]},
        {"input_dbm": [[1.0, 2.0]], "output_dbm": [[1.0, 2.0]]},
    ],
)
def test_a_call_that_cannot_be_right_raises(arguments):
    levels, outputs = Device().ladder()

    with pytest.raises(ValueError):
        compression_point(**{"input_dbm": levels, "output_dbm": outputs, **arguments})


@given(devices)
def test_compression_of_every_point_is_the_reference_less_its_gain(device):
    levels, outputs = device.ladder()
    point = found(levels, outputs)
    outputs[3] = np.nan

    compression = gain_compression_db(levels, outputs)

    assert compression.shape == levels.shape
    assert np.flatnonzero(np.isnan(compression)).tolist() == [3]
    assert np.interp(point.input_dbm, levels[10:], compression[10:]) == pytest.approx(1, abs=0.05)
    assert np.isnan(gain_compression_db(levels[:2], outputs[:2])).all()
