"""Outside checks of compression and saturation: closed forms of published amplifier models and textbook identities."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from benchkit.results import CompressionPoint, Reference, SaturatedPower, compression_point, saturated_power

Model = Callable[[NDArray[np.float64]], NDArray[np.float64]]

TABLE = pd.read_csv(Path(__file__).parent / "data" / "amplifier_model_compression.csv", comment="#")
RAPP = list(TABLE[TABLE.model == "rapp"].itertuples())

# Two grids: what a bench runs, and a fine one. The tolerances are the error stated in compression_point's docstring.
# The ladder begins far below the model's saturation, so that the lowest levels are the small-signal gain.
GRIDS = [pytest.param(1.0, 0.004, id="1 dB grid"), pytest.param(0.25, 0.0003, id="0.25 dB grid")]


def rapp(p: float, gain: float = 1.0) -> Model:
    return lambda v: gain * v / (1 + (gain * v) ** (2 * p)) ** (1 / (2 * p))


def saleh(r: NDArray[np.float64]) -> NDArray[np.float64]:
    return 2.1587 * r / (1 + 1.1517 * r**2)


def ladder(
    model: Model, start_db: float, stop_db: float, step_db: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Input and output levels in dB relative to 1 (V, or a unit amplitude)."""
    levels = np.arange(start_db, stop_db + step_db / 2, step_db)
    return levels, 20 * np.log10(model(10 ** (levels / 20)))


def found(model: Model, stop_db: float, step_db: float, reference: Reference = "lowest levels") -> CompressionPoint:
    point = compression_point(*ladder(model, -90.37, stop_db, step_db), reference=reference)
    assert isinstance(point, CompressionPoint), point
    return point


@pytest.mark.parametrize(("step_db", "tolerance_db"), GRIDS)
@pytest.mark.parametrize("reference", ["lowest levels", "maximum gain"])
@pytest.mark.parametrize("row", RAPP, ids=lambda row: f"p={row.p:g}")
def test_rapp_models_are_found_where_the_closed_form_puts_them(row, reference, step_db, tolerance_db):
    """Rapp 1991: x_1dB = (10^(p/10) - 1)^(1/2p). Soft and hard knees, without and with a reference at low level."""
    point = found(rapp(row.p), 6, step_db, reference=reference)

    assert point.output_dbm == pytest.approx(row.op1db_minus_psat_db, abs=tolerance_db)
    assert point.input_dbm == pytest.approx(20 * math.log10(row.input_1db), abs=tolerance_db)
    assert 10 ** (row.p / 10) - 1 == pytest.approx(row.input_1db ** (2 * row.p), rel=1e-6)


@pytest.mark.parametrize(("step_db", "tolerance_db"), GRIDS)
def test_saleh_tube_is_found_below_its_saturation(step_db, tolerance_db):
    """Saleh 1981, parameters of his measured tube: P1dB 4.115 dB below Psat, 9.136 dB below the saturating input."""
    row = next(row for row in TABLE.itertuples() if row.model == "saleh")
    saturating_db, saturated_db = -10 * math.log10(1.1517), 20 * math.log10(2.1587 / (2 * math.sqrt(1.1517)))

    point = found(saleh, 6, step_db)

    assert point.input_dbm - saturating_db == pytest.approx(-row.input_back_off_db, abs=tolerance_db)
    assert point.output_dbm - saturated_db == pytest.approx(row.op1db_minus_psat_db, abs=tolerance_db)
    assert point.input_dbm == pytest.approx(20 * math.log10(row.input_1db), abs=tolerance_db)


def test_saturated_power_of_the_saleh_tube_is_its_peak():
    """Saleh 1981: the output peaks at r = 1/sqrt(b), A = 1.0057560, and falls beyond."""
    at_most_off_the_peak_db = 0.0145  # the curve half a step of 1 dB from its peak

    power = saturated_power(*ladder(saleh, -30.3, 3, 1.0))

    assert isinstance(power, SaturatedPower), power
    peak_db = 20 * math.log10(1.0057560)
    assert peak_db - at_most_off_the_peak_db <= power.output_dbm <= peak_db + 1e-6


def test_modified_rapp_60_ghz_is_found_where_the_closed_form_puts_it():
    """IEEE 802.11-09/0296 (parameters from memory). A very soft knee: 42 dB down it is compressed by 0.002 dB still."""
    row = next(row for row in TABLE.itertuples() if row.model == "modified rapp")

    point = found(rapp(0.81, gain=4.65 / 0.58), -10, 1.0)

    assert point.output_dbm == pytest.approx(row.op1db_minus_psat_db, abs=0.004)
    assert point.input_dbm == pytest.approx(20 * math.log10(row.input_1db), abs=0.004)


def test_a_published_pair_of_saturated_and_compressed_power():
    """A public Rapp model states 35 dB gain, Psat 34 dBm, p 0.699 and OP1dB 22.1 dBm; its p is rounded, so 0.1 dB."""
    levels = np.arange(-91.0, 20.0, 1.0)
    amplitude = 10 ** ((levels + 35 - 34) / 20)

    point = compression_point(levels, 34 + 20 * np.log10(rapp(0.699)(amplitude)))

    assert isinstance(point, CompressionPoint), point
    assert point.output_dbm == pytest.approx(22.1, abs=0.1)


def test_the_cubic_law_stands_9_6_and_10_6_db_below_its_intercept():
    """
    IIP3 - IP1dB = 9.636 dB, OIP3 - OP1dB = 10.636 dB (Razavi, RF Microelectronics, 2nd ed., ch. 2): A_1dB =
    sqrt(0.145 |a1/a3|) and A_IIP3 = sqrt(4/3 |a1/a3|).
    """
    a1, a3 = 10.0, -1.0
    iip3_db = 10 * math.log10(4 / 3 * a1 / -a3)

    point = found(lambda v: a1 * v + 3 / 4 * a3 * v**3, 4.5, 1.0)

    assert iip3_db - point.input_dbm == pytest.approx(9.635745, abs=0.004)
    assert iip3_db + 20 * math.log10(a1) - point.output_dbm == pytest.approx(10.635745, abs=0.004)
    assert 10 ** (point.input_dbm / 10) == pytest.approx(0.145 * a1 / -a3, rel=2e-3)


def test_output_is_input_plus_gain_less_compression():
    """OP1dB = IP1dB + G - 1 dB (Pozar, Microwave Engineering, 4th ed., 10.3, p. 513)."""
    point = found(rapp(2), 6, 1.0)

    assert point.output_dbm == pytest.approx(point.input_dbm + point.reference_gain_db - 1, abs=1e-12)
