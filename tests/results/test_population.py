"""Populations: what a tolerance interval promises, checked by making parts, and what few parts cannot tell."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.results import (
    Absent,
    Capability,
    ChannelMatch,
    ToleranceInterval,
    capability,
    channel_match,
    mean_range_factor,
    tolerance_factor,
    tolerance_interval,
)


@pytest.mark.parametrize("side", ["two-sided", "lower", "upper"])
def test_a_tolerance_interval_holds_its_content_with_its_confidence(side):
    """Of 4000 lots of 8 parts each, 95 % must have an interval that holds 90 % of the population or more."""
    lots = np.random.default_rng(6).normal(0, 1, (4000, 8))
    erf = np.vectorize(math.erf)

    intervals = [tolerance_interval(lot, content=0.90, confidence=0.95, side=side) for lot in lots]

    ends = np.array([(i.lower, i.upper) for i in intervals if isinstance(i, ToleranceInterval)])
    held = (erf(ends[:, 1] / math.sqrt(2)) - erf(ends[:, 0] / math.sqrt(2))) / 2
    assert (held >= 0.90).mean() == pytest.approx(0.95, abs=0.012)


def test_a_one_sided_interval_is_open_on_the_other_side():
    lower = tolerance_interval([26.8, 27.0, 27.3], content=0.95, confidence=0.90, side="lower")

    assert isinstance(lower, ToleranceInterval)
    assert lower.upper == math.inf
    assert lower.lower == pytest.approx(lower.mean - lower.factor * lower.standard_deviation)
    assert lower.convention == "95 % of parts with 90 % confidence, lower limit, normal (ISO 16269-6)"


@settings(max_examples=30)
@given(st.integers(2, 60), st.floats(0.5, 0.99), st.floats(0.8, 0.99))
def test_more_parts_never_widen_the_factor(count, content, confidence):
    more = tolerance_factor(count + 5, content=content, confidence=confidence)
    assert more <= tolerance_factor(count, content=content, confidence=confidence)


def test_one_part_says_nothing_about_scatter():
    for found in (tolerance_interval([27.0], content=0.9, confidence=0.9), capability([27.0], minimum=26.0)):
        assert isinstance(found, Absent)
        assert found.reason == "1 part: scatter needs two or more"


def test_one_limit_gives_one_index_and_says_why_not_the_other():
    found = capability([27.0, 27.2, 26.8, 27.1], minimum=26.0, subgroup_size=2)

    assert isinstance(found, Capability)
    assert isinstance(found.cp, Absent)
    assert isinstance(found.pp, Absent)
    assert found.ppk == pytest.approx((found.mean - 26.0) / (3 * found.overall))
    assert found.cpk == pytest.approx((found.mean - 26.0) / (3 * found.within))


def test_without_subgroups_there_is_no_scatter_within_them():
    found = capability([27.0, 27.2, 26.8], minimum=26.0, maximum=28.0)

    assert isinstance(found, Capability)
    assert isinstance(found.cpk, Absent)
    assert isinstance(found.cp, Absent)
    assert "subgroups" in found.cp.reason
    assert math.isnan(found.within)


def test_a_mean_outside_its_limits_has_a_negative_index():
    found = capability([25.0, 25.2, 25.1], minimum=26.0, maximum=28.0)

    assert isinstance(found, Capability)
    assert found.ppk < 0 < found.pp


def test_parts_without_scatter_have_no_capability():
    """A meter stuck at one value is not an infinitely capable process."""
    assert isinstance(capability([27.0] * 6, minimum=26.0), Absent)


@pytest.mark.parametrize(
    "call",
    [
        {"values": [1.0, 2.0]},
        {"values": [1.0, 2.0], "minimum": 3.0, "maximum": 2.0},
        {"values": [1.0, 2.0, 3.0], "minimum": 0.0, "subgroup_size": 2},
        {"values": [1.0, math.nan], "minimum": 0.0},
        {"values": [[1.0, 2.0]], "minimum": 0.0},
        {"values": [1.0, 2.0], "minimum": math.inf},
    ],
)
def test_bad_calls_of_capability_are_refused(call):
    with pytest.raises(ValueError):
        capability(**call)


@pytest.mark.parametrize("change", [{"content": 1.0}, {"confidence": 0.0}, {"side": "both"}, {"values": [1.0, math.nan]}])
def test_bad_calls_of_tolerance_intervals_are_refused(change):
    with pytest.raises(ValueError):
        tolerance_interval(**({"values": [1.0, 2.0], "content": 0.9, "confidence": 0.9} | change))
    with pytest.raises(ValueError):
        mean_range_factor(1)


@given(st.floats(-3, 3), st.floats(-179.9, 179.9))
def test_channels_that_differ_by_a_known_amount(gain_db, phase_deg):
    second = 10 * np.exp(1j * np.linspace(0, 20, 7))
    first = second * 10 ** (gain_db / 20) * np.exp(1j * math.radians(phase_deg))
    first[2] = np.nan

    found = channel_match(first, second)

    assert isinstance(found, ChannelMatch)
    assert np.delete(found.gain_difference_db, 2) == pytest.approx(gain_db, abs=1e-9)
    assert np.delete(found.phase_difference_deg, 2) == pytest.approx(phase_deg, abs=1e-9)
    assert math.isnan(found.gain_difference_db[2])
    assert found.unread == 1


def test_the_worst_match_is_the_largest_either_way_with_its_sign():
    found = channel_match([1.0, 0.8, 1.1], [1.0, 1.0, 1.0])

    assert isinstance(found, ChannelMatch)
    assert found.worst_gain_at == 1
    assert found.worst_gain_db == pytest.approx(20 * math.log10(0.8))


def test_channels_without_a_common_reading_have_no_match():
    assert isinstance(channel_match([1.0, math.nan], [math.nan, 1.0]), Absent)
    with pytest.raises(ValueError):
        channel_match([1.0], [1.0, 2.0])
