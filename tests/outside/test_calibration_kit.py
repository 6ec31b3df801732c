"""
What a calibration kit is off by: the trade's table of return loss against directivity, and wrong standards in scikit-rf's SOLT.

Error limits of a return loss R by a directivity D are -20 log10(1 +- 10^((R - D) / 20)): common practice, no source (makers of
network analysers print it on slide rules); figures for 10 dB and 40 dB computed from it here: -0.28 dB and +0.27 dB.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import skrf

from benchkit.measurements.s_parameter_uncertainty import band_figures
from benchkit.results.calibration import apply
from benchkit.results.kit_errors import KIT_REFERENCE, KIT_REFLECTS, KIT_THRU, KitErrors, kit_amounts
from benchkit.results.network_budget import EXTREME, NetworkErrors, figure_budgets, magnitude_budget_db
from benchkit.results.solt import solt
from benchkit.results.standards import Standard
from benchkit.results.uncertainty import Budget

DRAWS = 3000
DEVICE = np.array([[0.25 + 0.15j, 0.03 - 0.01j], [12.0 - 4.0j, -0.2 + 0.28j]])


def of_kit(**stated: float | tuple[float, float]) -> NetworkErrors:
    return NetworkErrors(0.0, 0.0, np.zeros((1, 2, 2)), kit=KitErrors(**stated))  # type: ignore[arg-type]


@pytest.mark.parametrize("return_loss_db", [6.0, 10.0, 15.0])
def test_a_kit_of_40_db_makes_of_a_return_loss_what_the_table_of_directivity_says(return_loss_db: float) -> None:
    """U of 0.01 is a directivity of 40 dB; its match (the load defines that too) adds |S11|^2 or takes it away: 1 - S11^2."""
    low_db, high_db = (-20 * math.log10(1 + sign * 10 ** ((return_loss_db - 40) / 20)) for sign in (1, -1))
    s = np.array([[[10 ** (-return_loss_db / 20), 1e-9], [1e-9, 0.0]]], dtype=complex)

    lines = [one for one in magnitude_budget_db(s, of_kit(reference=0.005), 0, 0, 0) if one.amount > 0]
    expanded_db = Budget(lines).expanded / (1 - abs(s[0, 0, 0]) ** 2)

    assert (high_db - low_db) / 2 == pytest.approx(expanded_db, rel=0.01)
    if return_loss_db == 10.0:
        assert (low_db, high_db) == (pytest.approx(-0.270, abs=0.001), pytest.approx(0.279, abs=0.001))


def seen_by_analyser(s: np.ndarray) -> np.ndarray:
    """Through the error boxes of an analyser: 18 dB of match, 26 dB of directivity; exactly, by scikit-rf's cascade."""
    box = np.array([[0.05j, 0.9], [0.9, 0.12 * np.exp(0.7j)]])
    far = np.array([[0.11 * np.exp(2j), 0.85], [0.85, -0.04]])
    f = np.arange(1.0, len(s) + 1)
    one, two = (skrf.Network(f=f, f_unit="Hz", s=np.broadcast_to(b, s.shape).copy(), z0=50) for b in (box, far))
    seen: np.ndarray = (one ** skrf.Network(f=f, f_unit="Hz", s=s, z0=50) ** two).s
    return seen


def corrected_by_wrong_standards(reflection: float, load: float, thru_db: float) -> np.ndarray:
    """The device, DRAWS of it, each corrected by SOLT from a kit drawn anew; standards are taken for what they are defined as."""
    generator = np.random.default_rng(4)

    def normal(u: float) -> np.ndarray:
        return u * (generator.standard_normal(DRAWS) + 1j * generator.standard_normal(DRAWS))

    def one_port(gamma: complex, off: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        defined, true = np.zeros((2, DRAWS, 2, 2), dtype=complex)
        for port in (0, 1):
            defined[:, port, port], true[:, port, port] = gamma, gamma + off
        return defined, true

    kit = {"short": one_port(-1, normal(reflection)), "open": one_port(1, normal(reflection)), "load": one_port(0, normal(load))}
    through = np.exp(math.log(10) / 20 * normal(thru_db))
    defined, true = np.zeros((2, DRAWS, 2, 2), dtype=complex)
    defined[:, 0, 1] = defined[:, 1, 0] = 1.0
    true[:, 0, 1] = true[:, 1, 0] = through
    standards = {name: Standard(name, seen_by_analyser(t), d) for name, (d, t) in kit.items()}
    found = solt(
        np.arange(1.0, DRAWS + 1), list(standards.values()), Standard("thru", seen_by_analyser(true), defined),
    )  # fmt: skip
    device = np.broadcast_to(DEVICE, (DRAWS, 2, 2)).copy()
    return apply(found, np.arange(1.0, DRAWS + 1), seen_by_analyser(device))  # type: ignore[arg-type]


@pytest.mark.parametrize(("i", "j"), [(0, 0), (1, 1), (1, 0), (0, 1)])
@pytest.mark.parametrize(
    ("reflection", "load", "thru_db"), [(0.0, 0.004, 0.0), (0.004, 0.0, 0.0), (0.0, 0.0, 0.03), (0.004, 0.004, 0.02)]
)
def test_first_order_is_as_good_as_correcting_with_a_wrong_kit(
    i: int, j: int, reflection: float, load: float, thru_db: float
) -> None:
    """
    The spread of 3000 corrected devices within 10 %. Within 25 % where the analyser's load match adds to the device's reflection
    or takes away from it: of its angle nothing is known to the budget. What the thru does to a reflection is left out, and small.
    """
    found = corrected_by_wrong_standards(reflection, load, thru_db)[:, i, j]
    kit = KitErrors(load, reflection, thru_db, (0.11, 0.12))

    linear = math.hypot(*kit_amounts(DEVICE, kit, i, j).values())
    spread = float(found.std(ddof=1)) / math.sqrt(2.0)

    if i == j and reflection == load == 0.0:
        assert linear == 0.0
        assert spread < 0.002
    else:
        by_load_match = i != j and load == thru_db == 0.0
        assert linear == pytest.approx(spread, rel=0.25 if by_load_match else 0.10)


def test_kit_drawn_and_linear_agree_line_by_line() -> None:
    given = NetworkErrors(0.0, 0.0, np.zeros((1, 2, 2)), kit=KitErrors(0.004, 0.003, 0.02, (0.1, 0.1)))
    drawn = figure_budgets(np.array([14e9]), DEVICE[np.newaxis], given, band_figures)

    for name, (i, j) in {"s21_minimum": (1, 0), "input_return_loss": (0, 0), "reverse_isolation": (0, 1)}.items():
        linear = {line.name: line.amount for line in magnitude_budget_db(DEVICE[np.newaxis], given, 0, i, j)}
        for line in drawn[name]:
            if line.name != EXTREME and line.name in linear and linear[line.name] > 0:
                assert line.amount == pytest.approx(linear[line.name], rel=0.15), (name, line.name)
    assert {KIT_REFERENCE, KIT_REFLECTS, KIT_THRU} <= {line.name for line in drawn["s21_minimum"]}


def test_a_line_of_another_impedance_moves_s_as_renormalising_by_another_package_does() -> None:
    """TRL refers to its line. scikit-rf renormalises; 52 ohm reflect 0.0196 in 50 ohm."""
    network = skrf.Network(f=[1.0], f_unit="Hz", s=DEVICE[np.newaxis].copy(), z0=50)
    network.renormalize(52.0)
    rho = 2.0 / 102.0

    for i, j in ((0, 0), (1, 1), (1, 0), (0, 1)):
        moved = abs(network.s[0, i, j] - DEVICE[i, j])
        assert kit_amounts(DEVICE, KitErrors(reference=rho), i, j)[KIT_REFERENCE] == pytest.approx(moved, rel=0.04), (i, j)


def test_impossible_kits_are_refused() -> None:
    for wrong in ({"reference": -0.1}, {"reflects": math.nan}, {"thru_db": math.inf}, {"load_match": (0.1, -0.1)}):
        with pytest.raises(ValueError, match="kit"):
            KitErrors(**wrong)  # type: ignore[arg-type]
