"""
Thru-reflect-line by Engen and Hoer's own relations, worked here with numpy alone: G. F. Engen, C. A. Hoer, "Thru-Reflect-Line: An
Improved Technique for Calibrating the Dual Six-Port Automatic Network Analyzer", IEEE Trans. MTT 27 (1979) 987 (from memory).

Cascade matrices, b1, a1 by a2, b2: R = 1 / S21 [[-det S, S11], [-S22, 1]]. With T = R(line) R(thru)^-1 the roots of
t21 x^2 + (t22 - t11) x - t12 = 0 are b and a / c of the left error box, r [[a, b], [c, 1]]; b is its directivity.
"""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.results import Calibration, solt, trl
from benchkit.results.calibration import apply
from benchkit.results.standards import Standard
from tests.results.two_ports import Analyser, device, line, reflect

F = np.linspace(13.75e9, 14.5e9, 31)
N = F.size
DELAY_S = 0.0177e-9


def cascade_matrix(s: np.ndarray) -> np.ndarray:
    s11, s12, s21, s22 = s[:, 0, 0], s[:, 0, 1], s[:, 1, 0], s[:, 1, 1]
    return np.moveaxis(np.array([[-(s11 * s22 - s12 * s21), s11], [-s22, np.ones(N)]]) / s21, 2, 0)


def without_switch_terms(seed: int) -> Analyser:
    analyser = Analyser.random(np.random.default_rng(seed), N)
    analyser.switch = (np.zeros(N), np.zeros(N))
    return analyser


def made(analyser: Analyser, gamma: complex) -> tuple[Calibration, dict[str, np.ndarray]]:
    true = {"thru": line(np.zeros(N)), "reflect": reflect(gamma, N), "line": line(360 * F * DELAY_S, 0.02)}
    raw = {name: analyser.measure(s) for name, s in true.items()}
    found = trl(F, **raw, line_delay_s=DELAY_S, reflect_sign=-1)
    assert isinstance(found, Calibration)
    return found, raw


@pytest.mark.parametrize("seed", range(8))
def test_device_line_and_reflect_come_back_to_a_billionth(seed: int) -> None:
    analyser, gamma = without_switch_terms(seed), -0.95 - 0.12j
    calibration, raw = made(analyser, gamma)
    truth = device(np.random.default_rng(seed + 1000), N)

    assert np.abs(apply(calibration, F, analyser.measure(truth)) - truth).max() < 1e-9
    assert np.abs(apply(calibration, F, raw["reflect"])[:, 0, 0] - gamma).max() < 1e-9
    assert np.abs(apply(calibration, F, raw["line"]) - line(360 * F * DELAY_S, 0.02)).max() < 1e-9


@pytest.mark.parametrize("seed", range(8))
def test_both_roots_are_the_error_box_of_the_calibration(seed: int) -> None:
    """b = e00; a / c = e00 - e10 e01 / e11, whichever way the square root is taken."""
    calibration, raw = made(without_switch_terms(seed), -1.0)
    t = cascade_matrix(raw["line"]) @ np.linalg.inv(cascade_matrix(raw["thru"]))
    root = np.sqrt((t[:, 1, 1] - t[:, 0, 0]) ** 2 + 4 * t[:, 1, 0] * t[:, 0, 1])
    roots = np.array([(t[:, 0, 0] - t[:, 1, 1] + sign * root) / (2 * t[:, 1, 0]) for sign in (1, -1)])
    b = calibration.terms["forward directivity"]
    a_over_c = b - calibration.terms["forward reflection tracking"] / calibration.terms["forward source match"]

    # |b| is small against |a / c| in any analyser worth calibrating: so Engen and Hoer choose.
    smaller = np.abs(roots).argmin(axis=0)
    assert np.abs(np.take_along_axis(roots, smaller[None], 0)[0] - b).max() < 1e-9
    larger = np.take_along_axis(roots, 1 - smaller[None], 0)[0]
    assert np.abs(larger / a_over_c - 1).max() < 1e-9


def test_known_and_unknown_standards_agree_to_a_billionth() -> None:
    """SOLT and TRL of one analyser, with nothing in common but the thru."""
    analyser = without_switch_terms(4)
    by_line, raw = made(analyser, -0.9)
    gammas = {"short": -1.0, "open": 1.0, "load": 0.0}
    reflects = [Standard(name, analyser.measure(reflect(g, N)), reflect(g, N)) for name, g in gammas.items()]
    by_known = solt(F, reflects, Standard("thru", raw["thru"], line(np.zeros(N))))
    assert isinstance(by_known, Calibration)
    truth = device(np.random.default_rng(77), N)
    seen = analyser.measure(truth)

    assert np.abs(apply(by_line, F, seen) - apply(by_known, F, seen)).max() < 1e-9
