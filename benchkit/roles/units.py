"""
Units instruments answer in, brought to ours. A unit is asked, never assumed: watts taken for dBm are a plausible
number.

SCPI-1999 Vol 2, 25 (UNIT): UNIT:POWer DBM|W, UNIT:TEMPerature C|CEL|F|FAR|K; spellings from memory.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from benchkit.quantities import dbm_from_watts

__all__ = ["POWER_UNITS", "TEMPERATURE_UNITS", "TemperatureUnit", "level_from_dbm", "level_from_watts"]

Convert = Callable[[float], float]


def level_from_dbm(level_dbm: float) -> float:
    return level_dbm


def level_from_watts(power_w: float) -> float:
    """
    A level, or NaN: a sensor's zero may leave a reading at or below 0 W, which is no level. [dBm]

    NaN stays NaN, infinity (over range) stays infinity.
    """
    if power_w > 0:
        return power_w if power_w == math.inf else float(dbm_from_watts(power_w))
    return math.nan


POWER_UNITS: dict[str, Convert] = {"DBM": level_from_dbm, "W": level_from_watts}


@dataclass(frozen=True)
class TemperatureUnit:
    """
    A unit of temperature: `value = degrees Celsius * scale + offset`.

    The kelvin's zero and the Fahrenheit scale: exact by definition (SI brochure, 9th edition, 2.3.1; NIST SP 811, B.8).
    """

    scale: float
    offset: float

    def from_degc(self, temperature_degc: float) -> float:
        return temperature_degc * self.scale + self.offset

    def to_degc(self, value: float) -> float:
        return (value - self.offset) / self.scale

    def from_kelvins(self, difference_k: float) -> float:
        """A difference, or a rate."""
        return difference_k * self.scale


_CELSIUS = TemperatureUnit(1.0, 0.0)
_FAHRENHEIT = TemperatureUnit(1.8, 32.0)
TEMPERATURE_UNITS: dict[str, TemperatureUnit] = {
    "C": _CELSIUS,
    "CEL": _CELSIUS,
    "F": _FAHRENHEIT,
    "FAR": _FAHRENHEIT,
    "K": TemperatureUnit(1.0, 273.15),
}
