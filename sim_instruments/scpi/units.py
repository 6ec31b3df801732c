"""Suffixes: which a unit takes, and what they make of a number (IEEE 488.2, 7.7.3; SCPI volume 1, 7.2)."""

from __future__ import annotations

import math
from collections.abc import Callable

from sim_instruments.scpi.faults import Fault

__all__ = ["SUFFIXES", "dbm_from_watts", "watts_from_dbm"]

Conversion = Callable[[float], float]

_MULTIPLIERS = {
    "EX": 1e18, "PE": 1e15, "T": 1e12, "G": 1e9, "MA": 1e6, "K": 1e3, "": 1.0,
    "M": 1e-3, "U": 1e-6, "N": 1e-9, "P": 1e-12, "F": 1e-15, "A": 1e-18,
}  # fmt: skip


def watts_from_dbm(level_dbm: float) -> float:
    return 0.001 * math.pow(10.0, level_dbm / 10.0)


def dbm_from_watts(power_w: float) -> float:
    if power_w <= 0:
        raise Fault(-222, "power is not above zero")
    return 10.0 * math.log10(power_w / 0.001)


def _times(factor: float) -> Conversion:
    return lambda value: value * factor


def _scaled(unit: str) -> dict[str, Conversion]:
    return {multiplier + unit: _times(factor) for multiplier, factor in _MULTIPLIERS.items()}


# "MHZ" and "MOHM" mean mega; "M" before anything else is milli (IEEE 488.2, 7.7.3.3).
_HERTZ = _scaled("HZ") | {"MHZ": _times(1e6)}
_OHMS = _scaled("OHM") | {"MOHM": _times(1e6)}
_WATTS = _scaled("W")

SUFFIXES: dict[str, dict[str, Conversion]] = {
    "": {},
    "HZ": _HERTZ,
    "OHM": _OHMS,
    "V": _scaled("V"),
    "A": _scaled("A"),
    "S": _scaled("S"),
    "W": _WATTS | {"DBM": watts_from_dbm},
    "DB": {"DB": _times(1.0)},
    "DBM": {"DBM": _times(1.0), "DBW": lambda value: value + 30.0}
    | {suffix: (lambda value, to_watts=convert: dbm_from_watts(to_watts(value))) for suffix, convert in _WATTS.items()},
    "CEL": {
        "CEL": _times(1.0),
        "C": _times(1.0),
        "FAR": lambda value: (value - 32.0) / 1.8,
        "F": lambda value: (value - 32.0) / 1.8,
        "K": lambda value: value - 273.15,
    },
    "K/MIN": {"K/MIN": _times(1.0), "CEL/MIN": _times(1.0), "K/S": _times(60.0)},
}
"""Base unit -> suffix in capitals -> conversion of a number into the base unit."""
