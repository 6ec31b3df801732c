"""Outside checks of the detector law and the line under it: NIST reference data, and an ideal diode."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchkit.results import Absent, DetectorLaw, detector_temperature_error, fit_detector_law, fit_line

DATA = Path(__file__).parent / "data"


def read(name: str) -> pd.DataFrame:
    return pd.read_csv(DATA / name, comment="#")


def test_line_with_its_standard_errors_reproduces_the_certified_digits():
    """NIST StRD, Norris: certified to 15 digits; ten of them are asked for, on standard errors too."""
    data = read("strd_norris.csv")

    line = fit_line(data.x, data.y)

    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-10)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert line.intercept_standard_error == pytest.approx(0.232818234301152, rel=1e-10)
    assert line.slope_standard_error == pytest.approx(0.429796848199937e-3, rel=1e-10)
    assert line.residual_standard_deviation == pytest.approx(0.884796396144373, rel=1e-10)
    assert line.r_squared == pytest.approx(0.999993745883712, rel=1e-13)


def test_power_law_agrees_with_the_certified_one_within_its_expanded_uncertainty():
    """
    NIST StRD, DanWood, y = b1 x^b2. The certified fit minimises absolute errors, a detector's law relative ones (dB):
    the two weigh the six points differently, so only agreement within the certified k = 2 can be asked for.
    """
    data = read("strd_danwood.csv")

    law = fit_detector_law(10 * np.log10(data.x), data.y, np.zeros(len(data)))

    assert isinstance(law, DetectorLaw)
    assert law.slope == pytest.approx(3.8604055871, abs=2 * 0.051726610913)
    assert 10 ** (-law.slope * law.intercept_dbm / 10) == pytest.approx(0.76886226176, abs=2 * 0.018281973860)


def test_power_law_reproduces_the_certified_one_when_no_point_scatters():
    """The certified law of DanWood as noiseless data: both ways of weighing must then give it back to ten digits."""
    x = read("strd_danwood.csv").x

    law = fit_detector_law(10 * np.log10(x), 0.76886226176 * x**3.8604055871, np.zeros(len(x)))

    assert isinstance(law, DetectorLaw)
    assert law.slope == pytest.approx(3.8604055871, rel=1e-10)
    assert 10 ** (-law.slope * law.intercept_dbm / 10) == pytest.approx(0.76886226176, rel=1e-9)
    assert law.residual_db < 1e-9


def test_ideal_diode_goes_from_square_law_to_linear():
    """
    Ideal diode, V = n VT ln I0(Vp / n VT) (Pozar, 4th ed., 11.1): slope 1 below -40 dBm, towards 0.5 above +10 dBm.

    A law through three points 5 dB apart has very nearly the slope of the curve at the middle one.
    """
    data = read("ideal_diode_detector.csv")

    for k in range(1, len(data) - 1):
        three = data.iloc[k - 1 : k + 2]
        law = fit_detector_law(three.power_dbm, three.output_v, np.zeros(3))
        assert isinstance(law, DetectorLaw)
        assert law.slope == pytest.approx(data.slope[k], abs=0.01)
    assert float(data.slope.iloc[0]) == pytest.approx(1, abs=2e-4)
    assert law.slope == pytest.approx(0.5, abs=0.025)


def test_ideal_diode_departs_from_the_square_law_by_the_published_error():
    """
    At -20 dBm "square law" means about 8 % (0.35 dB), at -10 dBm 2.05 dB (same source): the error of a low-level law
    read at a higher level. A made-up law of slope 1 that spans the whole range stands in for the square law.
    """
    data = read("ideal_diode_detector.csv")
    responsivity = data.output_v[0] / 10 ** (data.power_dbm[0] / 10)
    square = fit_detector_law(data.power_dbm, responsivity * 10 ** (data.power_dbm / 10), np.zeros(len(data)))
    assert isinstance(square, DetectorLaw)
    assert square.slope == pytest.approx(1, rel=1e-12)

    error = detector_temperature_error(square, data.power_dbm, data.output_v, np.zeros(len(data)))

    assert not isinstance(error, Absent)
    assert error.error_db == pytest.approx(data.deviation_db, abs=6e-4)
    assert error.worst_at_dbm == 20
