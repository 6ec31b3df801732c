"""Outside checks of intercept points: the cubic law through a Fourier transform, an analyser's own answer, Pozar's cascade."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchkit.results import (
    Absent,
    InterceptFit,
    InterceptPoint,
    cascaded_intercept_dbm,
    compression_point,
    fit_intercept,
    intercept_distance_db,
    intercept_point,
)

DATA = Path(__file__).parent / "data"
N, F1, F2 = 1024, 100, 107  # samples and bins: products at 93 and 114 (third order), 86 and 121 (fifth)


def spectrum_db(lower: float, upper: float, a3: float, a5: float = 0.0) -> dict[int, float]:
    """y = 10 x + a3 x^3 + a5 x^5 of two tones; 20 log10 of the amplitude in each bin."""
    t = 2 * np.pi * np.arange(N) / N
    x = lower * np.cos(F1 * t) + upper * np.cos(F2 * t)
    amplitude = 2 * np.abs(np.fft.rfft(10 * x + a3 * x**3 + a5 * x**5)) / N
    return {k: 20 * math.log10(float(amplitude[k])) for k in (86, 93, F1, F2, 114, 121) if amplitude[k] > 1e-15}


def point_of(lower: float, upper: float, a3: float = -1.0) -> InterceptPoint:
    line = spectrum_db(lower, upper, a3)
    found = intercept_point(line[F1], line[F2], line[93], line[114])
    assert isinstance(found, InterceptPoint)
    return found


@pytest.mark.parametrize(("amplitude", "error_db"), [(0.05, 0.0073), (0.1, 0.0294), (0.2, 0.1178)])
def test_cubic_law_has_the_intercept_of_theory(amplitude, error_db):
    """
    A_IIP3 = sqrt(4/3 |a1/a3|) (Razavi, RF Microelectronics, ch. 2; Pozar, 4th ed., 10.3): 31.2494 dB for a1 10, a3 -1.

    The error is what the tones are compressed by: what "far enough below" is about.
    """
    ideal = 20 * math.log10(10 * math.sqrt(4 / 3 * 10))

    found = point_of(amplitude, amplitude)

    assert ideal == pytest.approx(31.2494, abs=5e-5)
    assert ideal - found.intercept_dbm == pytest.approx(error_db, abs=1e-4)
    # 3/2 of the fundamental's compression, a1 A + 9/4 a3 A^3: the tone counts by half again.
    assert error_db == pytest.approx(-1.5 * 20 * math.log10(1 - 2.25 * amplitude**2 / 10), abs=1e-4)
    assert found.lower_dbm == pytest.approx(found.upper_dbm, abs=1e-6)


@pytest.mark.parametrize("ratio_db", [-2.5, -0.5, 1.0, 2.9])
def test_unequal_tones_give_the_same_intercept_from_either_product(ratio_db):
    """Product at 2 f1 - f2 goes as A1^2 A2 (expand the cube): corrected, neither product knows of the difference."""
    even = point_of(0.01, 0.01)

    odd = point_of(0.01, 0.01 * 10 ** (ratio_db / 20))

    assert odd.tone_difference_db == pytest.approx(ratio_db, abs=0.001)
    for value in (odd.intercept_dbm, odd.lower_dbm, odd.upper_dbm):
        assert value == pytest.approx(even.intercept_dbm, abs=0.002)


def test_slope_three_and_relation_to_compression_of_the_cubic_law():
    """Razavi, ch. 2: OIP3 - OP1dB = 10.636 dB; IM3 slope 3 (Pozar, problems 10.12-13)."""
    drive = np.arange(-46.0, -25.0, 2.0)
    lines = [spectrum_db(a, a, -1.0) for a in 10 ** (drive / 20)]
    single = np.arange(-30.0, 5.0, 0.25)
    amplitude = 10 ** (single / 20)
    compressed = compression_point(single, 20 * np.log10(10 * amplitude - 0.75 * amplitude**3))
    assert not isinstance(compressed, Absent)

    found = fit_intercept(
        drive,
        *([line[k] for line in lines] for k in (F1, F2, 93, 114)),
        p1db_dbm=compressed.output_dbm,
        back_off_db=15.0,
        noise_dbm=-200.0,
    )

    assert isinstance(found, InterceptFit)
    assert found.lower_slope == pytest.approx(3.0, abs=1e-4)
    assert found.upper_slope == pytest.approx(3.0, abs=1e-4)
    assert found.tone_slope == pytest.approx(1.0, abs=1e-3)
    assert intercept_distance_db(found.intercept_dbm, compressed.output_dbm) == pytest.approx(10.635745, abs=0.01)


def test_fifth_order_intercept_of_a_quintic_law():
    """y = a1 x + a5 x^5: product at 3 f1 - 2 f2 is 5/8 a5 A^5 (expand the fifth power), so A_IIP5 = (8/5 a1/a5)^(1/4)."""
    line = spectrum_db(0.05, 0.05, 0.0, -1.0)

    found = intercept_point(line[F1], line[F2], line[86], line[121], order=5)

    assert isinstance(found, InterceptPoint)
    assert found.intercept_dbm == pytest.approx(20 * math.log10(10 * (8 / 5 * 10) ** 0.25), abs=1e-3)


def test_distortion_below_the_tones_of_a_known_intercept():
    """IMD = 2 (IIP3 - Pin) (Pozar, 10.3): IIP3 +20 dBm at -10 dBm per tone is 60 dB below the tones."""
    found = intercept_point(-10.0, -10.0, -70.0, -70.0)

    assert isinstance(found, InterceptPoint)
    assert found.intercept_dbm == pytest.approx(20.0, abs=1e-12)


def test_measured_spectra_give_the_analysers_own_answer():
    """
    Within 0.015 dB of its TOI (markers are rounded to 0.01 dB, and it leaves the tones' 0.02 dB uncorrected), and 0.03 dB
    of its larger and smaller side (it takes each side's own tone).
    """
    for row in pd.read_csv(DATA / "two_tone_measured_oip3.csv", comment="#").itertuples():
        found = intercept_point(row.lower_tone, row.upper_tone, row.lower_product, row.upper_product)

        assert isinstance(found, InterceptPoint)
        assert found.intercept_dbm == pytest.approx(row.toi, abs=0.015)
        assert max(found.lower_dbm, found.upper_dbm) == pytest.approx(row.toi_max, abs=0.03)
        assert min(found.lower_dbm, found.upper_dbm) == pytest.approx(row.toi_min, abs=0.03)


def test_averaging_the_measured_products_in_db_would_be_wrong():
    """The same data at -18 dBm: off by 1.54 dB; why the convention is stated with the number."""
    row = pd.read_csv(DATA / "two_tone_measured_oip3.csv", comment="#").iloc[2]
    tone, product = (row.lower_tone + row.upper_tone) / 2, (row.lower_product + row.upper_product) / 2

    assert tone + (tone - product) / 2 - row.toi == pytest.approx(1.54, abs=0.01)


def test_measured_ladder_is_off_its_slope_and_has_no_intercept():
    """The same three spectra: the products rise by 2.8 and 4.5 dB per dB; each reading alone gave a number."""
    table = pd.read_csv(DATA / "two_tone_measured_oip3.csv", comment="#").iloc[::-1]

    found = fit_intercept(
        table.total_input - 3.01,
        table.lower_tone,
        table.upper_tone,
        table.lower_product,
        table.upper_product,
        p1db_dbm=20.0,
        back_off_db=10.0,
        noise_dbm=-100.0,
        slope_tolerance=0.3,
    )

    assert isinstance(found, Absent)
    assert "the upper product rises by 4.5" in found.reason


def test_published_cascade():
    """Pozar, 4th ed., example 10.4: 20 dB amplifier with OIP3 22 dBm, 6 dB mixer with IIP3 13 dBm: 6.4 and 6.9 dBm."""
    for coherent, published in ((True, 6.4), (False, 6.9)):
        found = cascaded_intercept_dbm([20.0, -6.0], [22.0, 13.0 - 6.0], coherent=coherent)
        assert found == pytest.approx(published, abs=0.1)  # the book truncates 4.4515 mW to 4.4 before taking the level
