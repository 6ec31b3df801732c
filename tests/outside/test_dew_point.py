"""
Dew point against values from outside the project.

Formula: WMO-No. 8, Guide to Instruments and Methods of Observation, Magnus form over water (coefficients from memory). The
pairs below are those of common psychrometric tables at 1013 hPa, from memory, rounded to 0.1 K.
"""

from __future__ import annotations

import pytest

from benchkit.quantities import dew_point_of


@pytest.mark.parametrize(
    ("air_degc", "humidity_percent", "dew_point_degc"),
    [(20.0, 50.0, 9.3), (25.0, 50.0, 13.9), (23.0, 50.0, 12.0), (23.0, 40.0, 8.7), (30.0, 60.0, 21.4), (20.0, 80.0, 16.4)],
)
def test_dew_points_of_rooms(air_degc: float, humidity_percent: float, dew_point_degc: float) -> None:
    """A tenth of a kelvin, where the margin is some kelvins."""
    assert dew_point_of(air_degc, humidity_percent) == pytest.approx(dew_point_degc, abs=0.1)


def test_saturated_air_is_at_its_dew_point() -> None:
    """By definition."""
    assert dew_point_of(17.0, 100.0) == pytest.approx(17.0, abs=1e-9)


@pytest.mark.parametrize(
    ("air_degc", "humidity_percent"), [(61.0, 50.0), (-46.0, 50.0), (20.0, 0.0), (20.0, 101.0), (float("nan"), 50.0)]
)
def test_outside_the_formulas_range_there_is_no_dew_point(air_degc: float, humidity_percent: float) -> None:
    """An extrapolated one might be below the true one, and the part get wet."""
    with pytest.raises(ValueError, match="dew point"):
        dew_point_of(air_degc, humidity_percent)
