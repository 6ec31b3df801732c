"""
Dew point of moist air: below it, water condenses on a surface.

Over water, Magnus form with the coefficients of WMO-No. 8 (Guide to Instruments and Methods of Observation; from memory):
g = ln(RH / 100 %) + 17.62 T / (243.12 + T), Td = 243.12 g / (17.62 - g), temperatures in degC.
"""

from __future__ import annotations

import math

__all__ = ["dew_point_of"]

_A = 17.62
_B_DEGC = 243.12
# The range the coefficients are stated for.
_RANGE_DEGC = (-45.0, 60.0)


def dew_point_of(air_degc: float, humidity_percent: float) -> float:
    """
    Dew point of air. [degC]

    Args:
        air_degc: Its temperature, -45 to 60. [degC]
        humidity_percent: Relative humidity over water, above 0, at most 100. [%]

    Raises:
        ValueError: Outside these.
    """
    low_degc, high_degc = _RANGE_DEGC
    if not low_degc <= air_degc <= high_degc:
        raise ValueError(f"dew point: air at {air_degc:g} °C is outside {low_degc:g} °C to {high_degc:g} °C")
    if not 0.0 < humidity_percent <= 100.0:
        raise ValueError(f"dew point: relative humidity {humidity_percent:g} % is not above 0 % and at most 100 %")
    g = math.log(humidity_percent / 100.0) + _A * air_degc / (_B_DEGC + air_degc)
    return _B_DEGC * g / (_A - g)
