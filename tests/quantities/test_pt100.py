"""The platinum resistor: its two directions agree, and nothing is extrapolated. (IEC 60751's numbers: tests/outside.)"""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.quantities import pt100_resistance_ohm, pt100_temperature_degc


@settings(deadline=None)
@given(st.floats(-200, 850))
def test_resistance_and_temperature_are_each_others_inverse(temperature_degc: float) -> None:
    """A case temperature is a resistance read back: an error here is an error of every soak."""
    assert pt100_temperature_degc(pt100_resistance_ohm(temperature_degc)) == pytest.approx(temperature_degc, abs=1e-9)


@pytest.mark.parametrize("resistance_ohm", [0.0, 18.51, 390.5, 9.9e37, math.nan, math.inf])
def test_a_resistance_no_sensor_has_is_refused(resistance_ohm: float) -> None:
    """A shorted or broken sensor must stop a run, not read as very cold or very hot."""
    with pytest.raises(ValueError, match="Pt100"):
        pt100_temperature_degc(resistance_ohm)


@pytest.mark.parametrize("temperature_degc", [-200.1, 850.1, math.nan])
def test_a_temperature_beyond_the_standard_is_refused(temperature_degc: float) -> None:
    """IEC 60751 states the curve from -200 to 850 degC and no further."""
    with pytest.raises(ValueError, match="IEC 60751"):
        pt100_resistance_ohm(temperature_degc)
