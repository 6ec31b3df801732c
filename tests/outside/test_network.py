"""Outside checks of two-port figures: Pozar's worked examples, published tables, and scikit-rf for the same S."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import skrf

from benchkit.results import (
    gain_slope,
    gains,
    gamma_from_return_loss,
    gamma_from_vswr,
    group_delay,
    is_passive,
    largest_singular_value,
    maximum_gain,
    mismatch,
    mismatch_loss_db,
    return_loss_db,
    stability,
    vswr,
)

DATA = Path(__file__).parent / "data"


def polar(magnitude: float, degrees: float) -> complex:
    return magnitude * complex(math.cos(math.radians(degrees)), math.sin(math.radians(degrees)))


def two_port(s11: complex, s12: complex, s21: complex, s22: complex) -> np.ndarray:
    return np.array([[[s11, s12], [s21, s22]]])


def pozar() -> tuple[pd.DataFrame, np.ndarray]:
    table = pd.read_csv(DATA / "pozar_stability.csv", comment="#")
    wave = {name: table[f"{name}_mag"] * np.exp(1j * np.radians(table[f"{name}_deg"])) for name in ("S11", "S12", "S21", "S22")}
    return table, np.moveaxis(np.array([[wave["S11"], wave["S12"]], [wave["S21"], wave["S22"]]]), 2, 0)


def test_stability_of_published_transistors():
    """
    Pozar, Microwave Engineering: example 12.2 K 0.383, |delta| 0.336, mu 0.678; 12.3 at 3, 4, 5 GHz; 12.9; HFET-102.

    Within one unit of the last printed digit, for the book truncates (0.77169 is printed 0.77, 1.53739 is printed 1.53).
    """
    table, s = pozar()
    printed = pd.read_csv(DATA / "pozar_stability.csv", comment="#", dtype=str)

    found = stability(s)

    for name, values in (("K", found.k), ("absDelta", np.abs(found.delta)), ("mu", found.mu)):
        for text, value in zip(printed[f"{name}_published"], values, strict=True):
            if isinstance(text, str):
                assert abs(value - float(text)) < 10.0 ** -len(text.partition(".")[2])
    assert found.k == pytest.approx(table.K_calculated, abs=1e-5)
    assert found.mu == pytest.approx(table.mu_calculated, abs=1e-5)
    assert (found.is_unconditional == (table.K_published > 1)).all()


def test_maximum_stable_gain_of_published_transistors():
    """Pozar, 3rd ed., example 11.2 (HFET-102): MSG 21.93 dB; and no available gain where K < 1."""
    table, s = pozar()

    found = maximum_gain(s)

    assert found.stable_db == pytest.approx(table.MSG_dB_calculated, abs=1e-3)
    assert found.stable_db[1] == pytest.approx(21.93, abs=5e-3)
    assert (np.isnan(found.available_db) == (table.K_published < 1)).all()


def test_the_three_gains_of_a_published_example():
    """
    Pozar, 4th ed., example 12.1: S11 0.38/-158, S12 0.11/54, S21 3.50/80, S22 0.40/-43, 25 and 40 ohm.

    Gamma in 0.365/-152, gamma out 0.545/-43, G 13.1, GA 19.8, GT 12.6.
    """
    s = two_port(polar(0.38, -158), polar(0.11, 54), polar(3.50, 80), polar(0.40, -43))

    found = gains(s, (25 - 50) / (25 + 50), (40 - 50) / (40 + 50))

    assert (found.power[0], found.available[0], found.transducer[0]) == pytest.approx((13.1, 19.8, 12.6), abs=0.05)
    for gamma, published in ((found.input_gamma[0], (0.365, -152)), (found.output_gamma[0], (0.545, -43))):
        assert abs(gamma) == pytest.approx(published[0], abs=5e-4)
        assert math.degrees(np.angle(gamma)) == pytest.approx(published[1], abs=0.05)


def test_available_gain_is_the_gain_of_the_conjugate_match():
    """Pozar, 4th ed., eq. 12.38 to 12.41: the gain at the simultaneous conjugate match, found by another way round."""
    table, s = pozar()
    stable = (table.K_published > 1).to_numpy()
    s = s[stable]
    s11, s22 = s[:, 0, 0], s[:, 1, 1]
    delta = s11 * s22 - s[:, 0, 1] * s[:, 1, 0]
    b1 = 1 + abs(s11) ** 2 - abs(s22) ** 2 - abs(delta) ** 2
    c1 = s11 - delta * s22.conj()
    source = (b1 - np.sqrt(b1**2 - 4 * abs(c1) ** 2)) / (2 * c1)
    load = gains(s, source).output_gamma.conj()

    matched = gains(s, source, load)

    for gain in (matched.power, matched.available, matched.transducer):
        assert 10 * np.log10(gain) == pytest.approx(maximum_gain(s).available_db, abs=1e-9)


def test_stability_and_gain_agree_with_scikit_rf():
    """scikit-rf's own K, and its maximum stable and available gain (its `max_gain` is one or the other)."""
    rng = np.random.default_rng(3)
    s = 0.4 * (rng.normal(size=(50, 2, 2)) + 1j * rng.normal(size=(50, 2, 2)))
    s[:, 1, 0] *= 5
    reference = skrf.Network(f=np.arange(1, 51), f_unit="GHz", s=s)

    found, gain = stability(s), maximum_gain(s)

    assert found.k == pytest.approx(reference.stability, rel=1e-10)
    assert 0 < found.is_unconditional.sum() < 50
    both = np.where(found.is_unconditional, gain.available_db, gain.stable_db)
    proper = found.is_unconditional | (found.k < 1)  # K > 1 with mu < 1 is outside what scikit-rf's formula is for
    assert both[proper] == pytest.approx(10 * np.log10(reference.max_gain[proper]), abs=1e-9)
    assert (is_passive(s, 0.0) == (np.linalg.svd(s)[1][:, 0] <= 1)).all()
    assert largest_singular_value(s) == pytest.approx(np.linalg.svd(s)[1][:, 0], rel=1e-12)


def test_return_loss_vswr_and_reflection_of_a_published_table():
    """radio-electronics.com, 30 rows; the row at 26 dB is misprinted there (1.105 for 1.10553) and must not come out."""
    table = pd.read_csv(DATA / "return_loss_vswr_gamma.csv", comment="#")
    good = (table.misprinted == "no").to_numpy()

    gamma = gamma_from_return_loss(table.return_loss_db)

    assert gamma == pytest.approx(table.gamma_published, abs=5.1e-4)
    assert vswr(gamma)[good] == pytest.approx(table.vswr_published[good], abs=5.1e-4)
    assert abs(vswr(gamma)[~good] - table.vswr_published[~good]).min() > 5.2e-4
    assert mismatch_loss_db(gamma) == pytest.approx(table.mismatch_loss_db_calculated, abs=1e-5)
    assert return_loss_db(gamma) == pytest.approx(table.return_loss_db, abs=1e-12)


@pytest.mark.parametrize(("ratio", "published", "misprinted"), [
    (2.0, 9.54, False), (1.5, 13.98, False), (3.0, 6.02, False), (1.1, 26.43, True), (1.4, 15.57, True),
])  # fmt: skip
def test_return_loss_of_a_published_vswr_table(ratio, published, misprinted):
    """A radio amateur's table (qslnet.de, lz1len); it misprints 1.1 (true 26.444 dB) and 1.4 (15.563 dB)."""
    assert (abs(return_loss_db(gamma_from_vswr(ratio)) - published) > 0.005) == misprinted


def test_vswr_of_one_and_a_half():
    """solvefree.com: VSWR 1.5 is gamma 0.2, 13.979 dB return loss, 0.1773 dB mismatch loss."""
    gamma = gamma_from_vswr(1.5)

    assert gamma == pytest.approx(0.2, abs=1e-15)
    assert return_loss_db(gamma) == pytest.approx(13.979, abs=5e-4)
    assert mismatch_loss_db(gamma) == pytest.approx(0.1773, abs=5e-5)


def test_mismatch_limits_of_published_pairs():
    """Maker's manual of a terminating power sensor: VSWR 1.50/1.20 3.67 %, 1.30/1.20 2.39 %, 1.50/1.03 0.59 %."""
    for row in pd.read_csv(DATA / "mismatch_limits.csv", comment="#").itertuples():
        rho = float(gamma_from_vswr(row.vswr_source)), float(gamma_from_vswr(row.vswr_load))
        known, largest = mismatch(*rho, "known magnitudes"), mismatch(*rho, "largest magnitudes")

        assert known.plus_percent == pytest.approx(row.plus_percent, abs=6e-5)
        assert known.minus_percent == pytest.approx(row.minus_percent, abs=6e-5)
        assert (known.plus_db, known.minus_db) == pytest.approx((row.plus_db, row.minus_db), abs=6e-5)
        assert known.standard_uncertainty_percent == pytest.approx(row.u_u_shaped_percent, abs=6e-5)
        assert largest.standard_uncertainty_percent == pytest.approx(row.u_disc_percent, abs=6e-5)
        if not math.isnan(row.published_plus_percent):
            assert known.plus_percent == pytest.approx(row.published_plus_percent, abs=5e-3)


def test_mismatch_of_a_power_meter_by_its_makers_convention():
    """A power meter's service guide: VSWR 1.05/1.05, only largest magnitudes known, u = 0.0244^2 / sqrt(2) = 0.00042."""
    rho = float(gamma_from_vswr(1.05))

    assert mismatch(rho, rho, "largest magnitudes").standard_uncertainty_percent / 100 == pytest.approx(0.00042, abs=5e-6)


def test_delay_and_slope_of_a_line_in_closed_form():
    """A matched line of 1 ns and a skin-effect-free loss of 0.5 dB per GHz: its delay and slope are what it was made of."""
    f = np.linspace(13.75e9, 14.5e9, 31)
    s21 = 10 ** (-0.5 * f / 1e9 / 20) * np.exp(-2j * np.pi * f * 1e-9)

    delay = group_delay(f, s21, 5)
    slope = gain_slope(f, 20 * np.log10(np.abs(s21)), 13.75e9, 14.5e9)

    assert delay.delay_s == pytest.approx(1e-9, rel=1e-9)
    assert delay.delay_s.shape == (27,)
    assert slope.slope == pytest.approx(-0.5, rel=1e-9)
    assert slope.intercept == pytest.approx(-0.5 * 14.125, rel=1e-9)


def test_group_delay_agrees_with_scikit_rf_and_theory_of_a_low_pass():
    """First-order RC low-pass: tau / (1 + (w tau)^2) (closed form); scikit-rf's gradient of the phase on the same data."""
    f = np.linspace(1e6, 1e9, 2001)
    tau = 1e-9
    s21 = 1 / (1 + 2j * np.pi * f * tau)
    s = np.zeros((f.size, 2, 2), dtype=complex)
    s[:, 1, 0] = s[:, 0, 1] = s21
    reference = skrf.Network(f=f, f_unit="Hz", s=s).group_delay[:, 1, 0].real

    found = group_delay(f, s21, 3)

    exact = tau / (1 + (2 * np.pi * found.frequency_hz * tau) ** 2)
    assert found.delay_s == pytest.approx(exact, rel=1e-4)
    assert found.delay_s == pytest.approx(reference[1:-1], rel=1e-9)
