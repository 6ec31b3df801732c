"""
The platinum resistor of IEC 60751 (100 ohm at 0 degC): resistance and temperature.

Callendar-Van Dusen, with the standard's coefficients:
    t >= 0 degC:  R = R0 (1 + A t + B t^2)
    t <  0 degC:  R = R0 (1 + A t + B t^2 + C (t - 100) t^3)
"""

from __future__ import annotations

import math

__all__ = ["pt100_resistance_ohm", "pt100_temperature_degc"]

R0_OHM = 100.0
A = 3.9083e-3
B = -5.775e-7
C = -4.183e-12
LOWEST_DEGC = -200.0
HIGHEST_DEGC = 850.0


def pt100_resistance_ohm(temperature_degc: float) -> float:
    """
    Nominal resistance at a temperature. [ohm]

    Args:
        temperature_degc: -200 to 850. [degC]

    Raises:
        ValueError: Outside the range for which IEC 60751 states the curve; nothing is extrapolated.
    """
    if not LOWEST_DEGC <= temperature_degc <= HIGHEST_DEGC:
        raise ValueError(f"temperature {temperature_degc} degC is outside {LOWEST_DEGC:g} to {HIGHEST_DEGC:g} degC (IEC 60751)")
    return _resistance(temperature_degc)


def pt100_temperature_degc(resistance_ohm: float) -> float:
    """
    Temperature at a resistance, the inverse of pt100_resistance_ohm to 1e-9 K. [degC]

    Args:
        resistance_ohm: 18.52 to 390.48, the resistances at -200 and 850 degC. [ohm]

    Raises:
        ValueError: Outside that range (a broken or shorted sensor, most likely), or NaN.
    """
    lowest, highest = _resistance(LOWEST_DEGC), _resistance(HIGHEST_DEGC)
    if not lowest <= resistance_ohm <= highest:
        raise ValueError(f"resistance {resistance_ohm} ohm is outside {lowest:.2f} to {highest:.2f} ohm, a Pt100's (IEC 60751)")
    # Above 0 degC the quadratic has a closed solution; below, it is the start for Newton's method, which converges to
    # the last digit within five steps over the whole range (dR/dt is never near zero).
    temperature = (-A + math.sqrt(A * A - 4.0 * B * (1.0 - resistance_ohm / R0_OHM))) / (2.0 * B)
    if resistance_ohm >= R0_OHM:
        return min(temperature, HIGHEST_DEGC)  # the last digit's rounding must not leave the range
    for _ in range(6):
        temperature -= (_resistance(temperature) - resistance_ohm) / _slope(temperature)
    return max(temperature, LOWEST_DEGC)


def _resistance(t: float) -> float:
    r = 1.0 + t * (A + t * B)
    return R0_OHM * (r if t >= 0 else r + C * (t - 100.0) * t**3)


def _slope(t: float) -> float:
    slope = A + 2.0 * B * t
    return R0_OHM * (slope if t >= 0 else slope + C * (4.0 * t - 300.0) * t * t)
