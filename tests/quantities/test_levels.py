"""dBm, watts and volts: what the definition says, refused where there is no answer."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.quantities import db_from_ratio, dbm_from_volts_rms, dbm_from_watts, ratio_from_db, watts_from_dbm


@settings(deadline=None)  # never assert a time: the computer may be busy
@given(st.floats(-150, 100))
def test_watts_and_dbm_are_each_others_inverse(level_dbm: float) -> None:
    """A level stored as power and read back is the same level."""
    assert dbm_from_watts(watts_from_dbm(level_dbm)) == pytest.approx(level_dbm, abs=1e-9)


def test_an_array_gives_an_array_of_its_shape_and_a_float_gives_a_float() -> None:
    """The engine passes floats once a point; reports pass whole columns."""
    levels = np.array([[0.0, 10.0], [20.0, 30.0]])

    powers = watts_from_dbm(levels)

    assert powers.shape == (2, 2)
    np.testing.assert_allclose(powers, [[1e-3, 1e-2], [0.1, 1.0]], rtol=1e-15)
    np.testing.assert_allclose(dbm_from_watts(powers), levels, atol=1e-12)
    assert type(watts_from_dbm(30.0)) is float
    assert type(db_from_ratio(2.0)) is float
    assert dbm_from_volts_rms([1.0, 2.0])[1] == pytest.approx(dbm_from_volts_rms(2.0), abs=1e-12)


@pytest.mark.parametrize("nothing", [0.0, -1e-12, math.nan])
def test_power_that_is_not_above_zero_has_no_level(nothing: float) -> None:
    """Minus infinity or NaN would travel on into a report; an error does not."""
    for convert in (dbm_from_watts, db_from_ratio, dbm_from_volts_rms):
        with pytest.raises(ValueError, match="not above zero"):
            convert(nothing)
        with pytest.raises(ValueError, match="1 of 3 values"):
            convert([1.0, nothing, 2.0])


def test_an_impedance_that_cannot_be_is_refused() -> None:
    """Zero ohm would give an infinite level."""
    for impedance_ohm in (0.0, -50.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="impedance"):
            dbm_from_volts_rms(1.0, impedance_ohm)


def test_no_power_is_minus_infinity_dbm_on_the_way_in_only() -> None:
    """A source that is off has -inf dBm, which is exactly no power."""
    assert watts_from_dbm(-math.inf) == 0.0
    assert ratio_from_db(0.0) == 1.0
