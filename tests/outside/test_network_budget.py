"""
Uncertainty of corrected S-parameters against scikit-rf: residual error boxes around a device, exactly, instead of first order.

A residual error box has the residual directivity, match and tracking of one port (Rytting's error model, from memory).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
import skrf

from benchkit.measurements.s_parameter_uncertainty import band_figures
from benchkit.results.network_budget import EXTREME, FixtureErrors, NetworkErrors, figure_budgets, magnitude_budget_db

HZ = np.linspace(13.75e9, 14.5e9, 31)
RESIDUAL, ACROSS = 0.01, 0.004
DRAWS = 3000


def device() -> np.ndarray:
    s = np.empty((HZ.size, 2, 2), dtype=complex)
    turn = np.exp(-2j * np.pi * HZ * 0.3e-9)
    s[:, 0, 0], s[:, 1, 1] = 0.25 * turn**0.3, 0.33 * turn**0.2
    s[:, 1, 0], s[:, 0, 1] = 15.0 * turn, 0.05 * turn
    return s


def errors(**changes) -> NetworkErrors:
    given = {"reflection": RESIDUAL, "transmission": ACROSS, "noise": np.zeros((HZ.size, 2, 2))} | changes
    return NetworkErrors(**given)


def in_disc(generator: np.random.Generator, radius: float) -> np.ndarray:
    """DRAWS of them, anywhere in it: real part of standard deviation radius / 2."""
    return radius * np.sqrt(generator.random(DRAWS)) * np.exp(2j * np.pi * generator.random(DRAWS))


def two_ports(s11: Any, s12: Any, s21: Any, s22: Any) -> skrf.Network:
    """One for each draw: the package cascades networks frequency by frequency, and a draw takes the place of one."""
    s = np.empty((DRAWS, 2, 2), dtype=complex)
    s[:, 0, 0], s[:, 0, 1], s[:, 1, 0], s[:, 1, 1] = s11, s12, s21, s22
    return skrf.Network(f=np.arange(1.0, DRAWS + 1), f_unit="Hz", s=s, z0=50)


def through_residual_boxes(s: np.ndarray, generator: np.random.Generator) -> np.ndarray:
    """The device at one frequency as analysers with residual errors see it, shape (DRAWS, 2, 2); scikit-rf's cascade."""
    d1, m1, t1, d2, m2, t2, across = (in_disc(generator, r) for r in (*(RESIDUAL,) * 6, ACROSS))
    seen = (two_ports(d1, 1.0, 1.0 + t1, m1) ** two_ports(*s.ravel()) ** two_ports(m2, 1.0 + t2, 1.0, d2)).s
    # Tracking of a transmission is its own: undo what the two reflections' tracking did to it.
    seen[:, 1, 0] *= (1 + across) / (1 + t1)
    return seen


@pytest.mark.parametrize(("i", "j"), [(0, 0), (1, 1), (1, 0)])
def test_first_order_is_as_good_as_the_exact_cascade(i, j):
    """Residuals of -40 dB, 3000 draws: the standard deviation in dB within 5 %."""
    s, generator = device(), np.random.default_rng(8)
    exact = through_residual_boxes(s[15], generator)[:, i, j]
    if i != j:
        # The cascade's transmission has the tracking of both boxes' far sides, which are one here.
        assert abs(exact.mean() / s[15, i, j] - 1) < 1e-3

    lines = magnitude_budget_db(s, errors(), 15, i, j)

    linear = math.hypot(*(line.amount for line in lines))
    assert linear == pytest.approx(float((20 * np.log10(np.abs(exact))).std(ddof=1)), rel=0.05)


def fixture(generator: np.random.Generator | None, reflection: float, loss_db: float) -> skrf.Network:
    """A launch of 0.4 dB that reflects little; with a generator, as files have it that are wrong."""
    through = 0.955 * np.exp(-0.8j)
    if generator is None:
        return two_ports(0.03 + 0.02j, through, through, -0.04j)
    off = generator.standard_normal((3, DRAWS)) + 1j * generator.standard_normal((3, DRAWS))
    wrong = through * np.exp(math.log(10) / 20 * loss_db * off[2])
    return two_ports(0.03 + 0.02j + reflection * off[0], wrong, wrong, -0.04j + reflection * off[1])


@pytest.mark.parametrize(("i", "j"), [(0, 0), (1, 1), (1, 0)])
@pytest.mark.parametrize(("reflection", "loss_db"), [(0.01, 0.0), (0.0, 0.08), (0.006, 0.05)])
def test_wrong_fixture_files_are_worth_what_removing_them_by_another_package_makes_of_it(i, j, reflection, loss_db):
    """scikit-rf takes wrong fixtures out of what right ones were put around; the spread of 3000 such within 12 %."""
    s, generator = device()[15], np.random.default_rng(6)
    right = fixture(None, 0, 0)
    seen = right ** two_ports(*s.ravel()) ** right.flipped()
    left, far = (fixture(generator, reflection, loss_db) for _ in range(2))
    found = (left.inv ** seen ** far.flipped().inv).s[:, i, j]

    stated = FixtureErrors((reflection, reflection), (loss_db, loss_db))
    lines = magnitude_budget_db(s[np.newaxis], NetworkErrors(0.0, 0.0, np.zeros((1, 2, 2)), fixtures=stated), 0, i, j)

    linear = math.hypot(*(line.amount for line in lines))
    assert linear == pytest.approx(float((20 * np.log10(np.abs(found))).std(ddof=1)), rel=0.12)


def test_fixtures_drawn_and_linear_agree():
    s = device()[:1]
    given = NetworkErrors(0.0, 0.0, np.zeros((1, 2, 2)), fixtures=FixtureErrors((0.008, 0.004), (0.05, 0.02)))

    drawn = figure_budgets(HZ[:1], s, given, band_figures)

    for name, (i, j) in {"s21_minimum": (1, 0), "input_return_loss": (0, 0), "output_return_loss": (1, 1)}.items():
        linear = math.hypot(*(line.amount for line in magnitude_budget_db(s, given, 0, i, j)))
        found = math.hypot(*(line.amount for line in drawn[name] if line.name != EXTREME))
        assert found == pytest.approx(linear, rel=0.12), name
    with pytest.raises(ValueError, match="fixture"):
        FixtureErrors((-0.1, 0.0))


def test_drawn_and_linear_agree_where_both_can_be_had():
    """One frequency cannot lie about an extreme: the figures of a single point are magnitudes."""
    s = device()[:2]
    given = NetworkErrors(RESIDUAL, ACROSS, np.full((2, 2, 2), 0.003), 0.02, 0.03)

    drawn = figure_budgets(HZ[:1], s[:1], NetworkErrors(RESIDUAL, ACROSS, given.noise[:1], 0.02, 0.03), band_figures)

    for name, (i, j) in {"s21_minimum": (1, 0), "input_return_loss": (0, 0), "reverse_isolation": (0, 1)}.items():
        linear = math.hypot(*(line.amount for line in magnitude_budget_db(s, given, 0, i, j)))
        found = math.hypot(*(line.amount for line in drawn[name] if line.name != EXTREME))
        assert found == pytest.approx(linear, rel=0.12), name


def test_figures_of_many_sweeps_are_those_of_another_package():
    """K and group delay by scikit-rf."""
    s = device()
    network = skrf.Network(f=HZ, s=s, z0=50, f_unit="Hz")

    found = band_figures(HZ, np.stack([s, s]))

    assert found["stability_k"] == pytest.approx([network.stability.min()] * 2)
    assert found["group_delay"] == pytest.approx([0.3e-9] * 2)
    assert found["s21_flatness"] == pytest.approx([0.0, 0.0], abs=1e-9)


def test_an_extreme_of_noisy_points_is_owned_up_to():
    """The lowest of 31 equal readings with noise lies two standard deviations low on average (31 normal numbers: 2.06)."""
    s = device()
    generator = np.random.default_rng(2)
    noise = np.zeros((HZ.size, 2, 2))
    noise[:, 0, 1] = 0.05 * 0.03 * math.sqrt(2)
    noisy = s.copy()
    noisy[:, 0, 1] *= 1 + 0.03 * (generator.standard_normal(HZ.size) + 1j * generator.standard_normal(HZ.size))

    lines = figure_budgets(HZ, noisy, errors(reflection=0.0, transmission=0.0, noise=noise), band_figures)["reverse_isolation"]

    extreme = next(line for line in lines if line.name == EXTREME)
    assert extreme.amount == pytest.approx(2.06 * 0.03 * 20 / math.log(10), rel=0.25)


def test_ripples_of_noise_are_not_taken_for_the_devices():
    """Smoothing that follows the noise hides how far its extreme lies out: on average over many sweeps, 2.06 deviations."""
    s, part = device(), 0.07
    noise = np.zeros((HZ.size, 2, 2))
    noise[:, 0, 1] = 0.05 * part * math.sqrt(2)
    found = []
    for seed in range(8):
        generator = np.random.default_rng(seed)
        noisy = s.copy()
        noisy[:, 0, 1] *= 1 + part * (generator.standard_normal(HZ.size) + 1j * generator.standard_normal(HZ.size))
        lines = figure_budgets(HZ, noisy, errors(reflection=0.0, transmission=0.0, noise=noise), band_figures)
        found.append(next(line.amount for line in lines["reverse_isolation"] if line.name == EXTREME))

    # A logarithm is flatter above: 20 log10(1 + 2.06 x 0.07).
    assert np.mean(found) == pytest.approx(20 * math.log10(1 + 2.06 * part), rel=0.07)
    assert np.std(found) < 0.15 * np.mean(found)


def test_errors_of_nothing_make_no_uncertainty_and_impossible_ones_are_refused():
    nothing = errors(reflection=0.0, transmission=0.0)

    assert all(line.amount < 1e-9 for lines in figure_budgets(HZ, device(), nothing, band_figures).values() for line in lines)
    for wrong in ({"reflection": -0.1}, {"transmission": math.nan}, {"noise": np.zeros(3)}, {"drift_db": math.inf}):
        with pytest.raises(ValueError):
            errors(**wrong)
