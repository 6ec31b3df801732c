"""Budgets: the rules of combination, and simulated ladders whose scatter they must predict."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.results import (
    COVERAGE_FACTOR,
    Budget,
    CompressionPoint,
    Contribution,
    compression_point,
    input_compression_budget,
    output_compression_budget,
    relative_from_db,
    repeated,
    root_sum_of_squares,
    standard_from_expanded,
    standard_from_rectangular,
    standard_from_triangular,
    standard_from_u_shaped,
)
from tests.results.ladders import Device

amounts = st.floats(0, 1e6)


def point_of(device: Device, **options) -> CompressionPoint:
    point = compression_point(*device.ladder(**options))
    assert isinstance(point, CompressionPoint)
    return point


@pytest.mark.parametrize(
    ("standard", "draw"),
    [
        (standard_from_rectangular, lambda rng, n: rng.uniform(-1, 1, n)),
        (standard_from_triangular, lambda rng, n: rng.triangular(-1, 0, 1, n)),
        (standard_from_u_shaped, lambda rng, n: np.cos(rng.uniform(0, 2 * math.pi, n))),
    ],
)
def test_half_widths_become_the_standard_deviation_of_their_distribution(standard, draw):
    sample = 0.3 * draw(np.random.default_rng(7), 200_000)

    assert standard(0.3) == pytest.approx(np.std(sample), rel=0.005)


def test_a_certificates_uncertainty_is_divided_by_its_coverage_factor():
    assert standard_from_expanded(0.3) == 0.15
    assert standard_from_expanded(0.3, 3.0) == pytest.approx(0.1)


@given(st.lists(amounts, min_size=1, max_size=6))
def test_the_combination_is_at_least_the_largest_and_at_most_the_sum(uncertainties):
    combined = root_sum_of_squares(*uncertainties)

    assert max(uncertainties) <= combined * (1 + 1e-12)
    assert combined <= sum(uncertainties) * (1 + 1e-12)


@given(st.lists(st.tuples(amounts, st.floats(-1e3, 1e3)), min_size=1, max_size=6))
def test_a_budget_does_not_depend_on_order_or_sign(lines):
    contributions = [Contribution("x", u, c) for u, c in lines]
    mirrored = [Contribution("x", u, -c) for u, c in reversed(lines)]

    assert Budget(contributions).combined == pytest.approx(Budget(mirrored).combined, rel=1e-12)
    assert Budget(contributions).expanded == COVERAGE_FACTOR * Budget(contributions).combined


def test_degrees_of_freedom_are_those_of_the_only_small_sample():
    few = Contribution("mean of four", 0.1, degrees_of_freedom=3)

    assert Budget([few]).effective_degrees_of_freedom == pytest.approx(3)
    assert Budget([few, Contribution("certificate", 0.1)]).effective_degrees_of_freedom == pytest.approx(12)
    assert Budget([Contribution("certificate", 0.1)]).effective_degrees_of_freedom == math.inf


def test_one_reading_says_nothing_about_its_scatter():
    """Zero would be the wrong answer: it would claim that the reading does not scatter."""
    for values in ([1.0], [], [1.0, math.nan], [[1.0, 2.0]]):
        with pytest.raises(ValueError):
            repeated(values)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Budget([]),
        lambda: Contribution("loss", -0.1),
        lambda: Contribution("loss", math.nan),
        lambda: Contribution("loss", 0.1, math.inf),
        lambda: Contribution("loss", 0.1, degrees_of_freedom=0),
        lambda: standard_from_rectangular(-0.1),
        lambda: standard_from_expanded(math.nan),
        lambda: standard_from_expanded(0.1, 0.0),
        lambda: relative_from_db(-1.0),
    ],
)
def test_what_is_not_an_uncertainty_is_refused(make):
    """A missing uncertainty that slips in as NaN would make a budget of NaN, a negative one a smaller budget."""
    with pytest.raises(ValueError):
        make()


def test_a_tenth_of_a_decibel_is_2_3_percent():
    assert relative_from_db(0.1) == pytest.approx(10 ** (0.1 / 10) - 1, rel=0.02)


@pytest.mark.parametrize("p", [1.0, 2.0, 3.0])
def test_scatter_of_simulated_compression_points_is_what_the_budget_says(p):
    """
    A thousand ladders of one device, each reading with noise, each ladder with its own path errors. Interpolation
    between two noisy points averages a little, so the budget may be larger than the scatter by up to 15 %, and never
    smaller than the scatter of the scatter allows.
    """
    rng = np.random.default_rng(11)
    device = Device(p=p)
    levels, outputs = device.ladder(below_db=20)
    clean = point_of(device, below_db=20)
    noise_db, path_in_db, path_out_db = 0.01, 0.06, 0.04
    found = []
    for _ in range(1000):
        read_in = levels + rng.normal(0, path_in_db)
        read_out = outputs + rng.normal(0, path_out_db) + rng.normal(0, noise_db, outputs.size)
        point = compression_point(read_in, read_out)
        assert isinstance(point, CompressionPoint)
        found.append((point.input_dbm, point.output_dbm))

    u_in, u_out = np.std(found, axis=0, ddof=1)

    budget_in = input_compression_budget(clean, input_db=path_in_db, scatter_db=noise_db)
    budget_out = output_compression_budget(clean, output_db=path_out_db, scatter_db=noise_db)
    assert 0.94 * u_in < budget_in.combined < 1.15 * u_in
    assert 0.94 * u_out < budget_out.combined < 1.15 * u_out


def test_an_error_of_the_gain_along_the_ladder_moves_the_point_by_its_sensitivity():
    """Non-linearity does not cancel: a meter that reads 0.01 dB low at the top moves P1dB by 0.01 dB / slope."""
    device = Device()
    levels, outputs = device.ladder()
    clean = point_of(device)

    point = compression_point(levels, outputs - np.where(levels > 0, 0.01, 0.0))

    assert isinstance(point, CompressionPoint)
    line = output_compression_budget(clean, output_db=0, scatter_db=0, linearity_db=0.01).contributions[-1]
    assert line.name == "linearity from reference to crossing"
    assert point.output_dbm - clean.output_dbm == pytest.approx(-line.amount, rel=0.05)
    assert point.input_dbm - clean.input_dbm == pytest.approx(-line.amount, rel=0.05)


def test_a_soft_knee_is_worth_more_than_its_gains_noise():
    """0.02 dB of scatter is 0.1 dB of input P1dB on a soft device; a budget of the levels alone would hide it."""
    soft, hard = (input_compression_budget(point_of(Device(p=p)), input_db=0.0, scatter_db=0.02) for p in (1.0, 3.0))

    assert soft.combined == pytest.approx(0.11, abs=0.01)
    assert hard.combined < soft.combined / 2
