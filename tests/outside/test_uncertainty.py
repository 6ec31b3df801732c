"""Outside checks of uncertainty and verdicts: published budgets, another package's propagation, published risks."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from uncertainties import ufloat

from benchkit.results import (
    Budget,
    Contribution,
    EfficiencyPoint,
    drain_efficiency_budget,
    fit_line,
    gain_budget,
    judge,
    pae_budget,
    repeated,
    standard_from_expanded,
    standard_from_rectangular,
    standard_from_u_shaped,
)

DATA = Path(__file__).parent / "data"
STANDARD = {
    "expanded": standard_from_expanded,
    "rectangular": standard_from_rectangular,
    "u-shaped": standard_from_u_shaped,
    "standard": lambda width: width,
}


def attenuator() -> tuple[float, Budget]:
    table = pd.read_csv(DATA / "ea402_s7_step_attenuator.csv", comment="#")
    readings = repeated([30.033, 30.058, 30.018, 30.052])
    lines = [Contribution("L_S", readings.standard_of_mean, degrees_of_freedom=readings.count - 1)]
    lines += [Contribution(row.quantity, STANDARD[row.distribution](row.width)) for row in table.itertuples()]
    return readings.mean + float(table.estimate.sum()), Budget(lines)


def test_published_budget_of_a_step_attenuator():
    """EA-4/02 M, example S7: 30.043 dB, U 0.045 dB (k = 2), u 0.0224185377162145 dB, 108 degrees of freedom."""
    value, budget = attenuator()

    assert value == pytest.approx(30.04325, abs=1e-12)
    assert budget.combined == pytest.approx(0.0224185377162145, rel=1e-13)
    assert round(budget.expanded, 3) == 0.045
    assert math.floor(budget.effective_degrees_of_freedom) == 108


def test_published_budget_agrees_with_another_package():
    """The `uncertainties` package, from the same inputs."""
    _, budget = attenuator()

    total = sum(ufloat(0, line.standard_uncertainty) * line.sensitivity for line in budget.contributions)

    assert budget.combined == pytest.approx(total.std_dev, rel=1e-13)


def test_published_straight_line_calibration():
    """
    JCGM 100:2008, H.3: y1 -0.1712(29), y2 0.00218(67), correlation -0.930, s 0.0035, b(30 degC) -0.1494 with u 0.0041.
    """
    data = pd.read_csv(DATA / "gum_h3.csv", comment="#")

    line = fit_line(data.t_C - 20, data.b_C)

    assert (line.intercept, line.slope) == pytest.approx((-0.1712, 0.00218), abs=5e-5)
    assert (line.intercept_standard_error, line.slope_standard_error) == pytest.approx((0.0029, 0.00067), abs=5e-5)
    correlation = line.covariance / (line.intercept_standard_error * line.slope_standard_error)
    assert correlation == pytest.approx(-0.930, abs=5e-4)
    assert line.residual_standard_deviation == pytest.approx(0.0035, abs=5e-5)
    assert line(30 - 20) == pytest.approx(-0.1494, abs=5e-5)
    variance = line.intercept_standard_error**2 + 100 * line.slope_standard_error**2 + 20 * line.covariance
    assert math.sqrt(variance) == pytest.approx(0.0041, abs=5e-5)


def test_gain_and_efficiency_budgets_agree_with_another_package():
    """The `uncertainties` package differentiates Pozar's eq. 12.88 and 12.89 by itself."""
    u_input, u_output, u_volt, u_ampere = 0.11, 0.07, 0.004, 0.0016
    p_in, p_out = ufloat(3.1, u_input), ufloat(27.0, u_output)
    volts, amperes = ufloat(6.0, u_volt), ufloat(0.31, u_ampere)
    out_w, in_w = 10 ** ((p_out - 30) / 10), 10 ** ((p_in - 30) / 10)
    eta, pae = 100 * out_w / (volts * amperes), 100 * (out_w - in_w) / (volts * amperes)
    point = EfficiencyPoint(3.1, 27.0, 6.0, 0.31, 6.0 * 0.31, eta.nominal_value, pae.nominal_value)

    gain = gain_budget(input_db=u_input, output_db=u_output, random_db=0.02)
    drain = drain_efficiency_budget(point, output_db=u_output, voltage_v=u_volt, current_a=u_ampere)
    added = pae_budget(point, input_db=u_input, output_db=u_output, voltage_v=u_volt, current_a=u_ampere)

    assert gain.combined == pytest.approx((p_out - p_in + ufloat(0, 0.02)).std_dev, rel=1e-12)
    assert drain.combined == pytest.approx(eta.std_dev, rel=1e-12)
    assert added.combined == pytest.approx(pae.std_dev, rel=1e-12)


@pytest.mark.parametrize(
    ("guard_bands", "risk", "tolerance"),
    [(0.0, 0.5, 1e-12), (1.0, 0.0228, 5e-5), (0.83, 0.0485, 5e-5), (1.5, 0.00135, 5e-6), (3.0, 0.99e-9, 5e-12)],
)
def test_risk_of_a_wrong_accept_is_the_published_one(guard_bands, risk, tolerance):
    """
    ILAC-G8:09/2019: no guard band up to 50 %; w = U below 2.5 %; 0.83 U (ISO 14253-1) below 5 %; 1.5 U below 0.16 %;
    3 U below 1 ppm. JCGM 106:2012: p = Phi((T - y) / u).
    """
    limit, expanded = 27.0, 0.4

    for side in ({"minimum": limit}, {"maximum": limit}):
        inward = guard_bands * expanded * (1 if "minimum" in side else -1)
        verdict = judge(limit + inward, expanded, **side)
        assert 1 - verdict.probability == pytest.approx(risk, abs=tolerance)


def test_conformance_probability_of_an_interval():
    """JCGM 106:2012: Phi((TU - y)/u) - Phi((TL - y)/u); a tolerance of four u about the value holds 95.45 %."""
    verdict = judge(10.0, 2.0, minimum=8.0, maximum=12.0)

    assert verdict.probability == pytest.approx(0.954499736, abs=1e-9)


def test_pass_is_wrong_with_less_than_the_published_risk_in_simulation():
    """ILAC-G8: with w = U a pass is wrong with less than 2.5 %, even for a device whose true value is at the limit."""
    rng = np.random.default_rng(20)
    readings = 27.0 + rng.normal(0, 0.2, 40_000)

    passed = sum(judge(float(value), 0.4, minimum=27.0).outcome == "pass" for value in readings)

    assert passed / readings.size < 0.025
    assert passed / readings.size == pytest.approx(0.02275, abs=0.003)
