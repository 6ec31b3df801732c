"""
What an analyser makes of its own, by its intercept points, against worked values from outside.

Source of the third order: IIP3 +20 dBm with two tones of -10 dBm each gives products 60 dB below them, IMD = 2 (IIP3 - Pin): a
published exercise, seen as a public transcription. Second harmonic, 2 L - IP2, and a product of order n that falls by n dB per
dB of level: common practice, no source (they follow from the power series a1 x + a2 x^2 + a3 x^3).
"""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.results.own_products import attenuator_step
from benchkit.roles.analyser_ratings import own_second_dbm, own_third_dbm


def test_third_order_product_of_the_published_exercise() -> None:
    """60 dB below the tones."""
    assert own_third_dbm(20.0, -10.0, 0.0) - -10.0 == pytest.approx(-60.0)


@pytest.mark.parametrize("n", [2, 3])
def test_harmonics_of_a_power_series_pass_and_fail_the_attenuator_step_as_they_must(n: int) -> None:
    """
    A mixer with x + c x^n, by Fourier transform from samples: its own harmonic falls by (n - 1) x step against the carrier,
    referred to the input. The step must call it the analyser's, and one made before the attenuator the device's.
    """
    t = 2 * np.pi * np.arange(256) / 256

    def harmonic_db(attenuation_db: float) -> float:
        x = 10 ** (-attenuation_db / 20) * 0.1 * np.cos(t)
        spectrum = np.abs(np.fft.rfft(x + 0.2 * x**n)) / 128
        return float(20 * np.log10(spectrum[n]) + attenuation_db)

    low, high = harmonic_db(0.0), harmonic_db(10.0)
    own = attenuator_step(low, high, 10.0, tolerance_db=0.5, order=n)
    assert own.change_db == pytest.approx(-(n - 1) * 10.0, abs=1e-6)
    assert own.change_db == pytest.approx(own.own_change_db, abs=1e-6)
    assert not own.is_clean
    assert attenuator_step(-40.0, -40.1, 10.0, tolerance_db=0.5, order=n).is_clean


def test_second_harmonic_of_a_power_series_is_two_levels_less_the_intercept() -> None:
    """The intercept of x + c x^2 by its definition: where both lines, extended, meet."""
    t = 2 * np.pi * np.arange(256) / 256

    def lines_db(level_db: float) -> tuple[float, float]:
        x = 10 ** (level_db / 20) * np.cos(t)
        spectrum = np.abs(np.fft.rfft(x + 0.05 * x**2)) / 128
        return float(20 * np.log10(spectrum[1])), float(20 * np.log10(spectrum[2]))

    carrier, second = lines_db(-30.0)
    intercept = 2 * carrier - second
    for level_db in (-20.0, -10.0, 0.0):
        carrier, second = lines_db(level_db)
        assert own_second_dbm(intercept, carrier, 0.0) == pytest.approx(second, abs=1e-9)
