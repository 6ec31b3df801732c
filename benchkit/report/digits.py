"""
Numbers as a data sheet prints them.

ILAC-P14:09/2020 (from memory): an expanded uncertainty has at most two significant digits, and the value is rounded to the same
place. What has no uncertainty gets four significant digits.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from decimal import ROUND_HALF_EVEN, Decimal

from benchkit.results.result import UNPOWERED_V, supply_text

__all__ = [
    "MINUS",
    "Scale",
    "celsius",
    "clock_time",
    "day",
    "decimals_for",
    "decimals_without_uncertainty",
    "difference_unit",
    "duration",
    "fixed",
    "gigahertz",
    "plain",
    "scale_for",
    "supply_of",
    "whole",
]

MINUS = "\N{MINUS SIGN}"
UNIT_TEXTS = {"degC": "°C", "ohm": "Ω", "1": ""}
MOST_DECIMALS = 9
LARGEST_IN_FULL = 1e7
WITHOUT_UNCERTAINTY = 4  # significant digits
_RELATIVE = re.compile(r"harmonic_\d+_relative")


@dataclass(frozen=True)
class Scale:
    """The unit that a row is printed in: a number times `factor` is in `unit`."""

    unit: str
    factor: float


def scale_for(unit: str, values: Iterable[float], parameter: str = "") -> Scale:
    """
    Milliamperes, millivolts and nanoseconds where the unit itself would only print leading zeros; other units as they are.

    Args:
        parameter: Of the values; a level relative to the carrier, in dB in the record, is printed in dBc.
    """
    if unit == "dB" and _RELATIVE.fullmatch(parameter):
        return Scale("dBc", 1.0)
    largest = max((abs(value) for value in values if math.isfinite(value)), default=0.0)
    below = {"A": 1.0, "V": 0.1, "W": 0.1}.get(unit, 0.0)
    if 0 < largest < below:
        return Scale("m" + unit, 1e3)
    if unit == "s" and 0 < largest < 1e-6:
        return Scale("ns", 1e9)
    return Scale(UNIT_TEXTS.get(unit, unit), 1.0)


def supply_of(supply_voltage_v: float | None) -> str:
    """As supply_text(), in a page's digits; "" where there is none. [V]"""
    if supply_voltage_v is None or supply_voltage_v == UNPOWERED_V:
        return supply_text(supply_voltage_v)
    return f"{plain(supply_voltage_v)} V"


def difference_unit(unit: str) -> str:
    """Unit of a difference or an uncertainty: of levels in dBm it is dB, of temperatures in °C K, of percentages points (pp)."""
    return {"dBm": "dB", "dBW": "dB", "dBc": "dB", "°C": "K", "%": "pp"}.get(unit, unit)


def decimals_for(expanded: float) -> int:
    """
    Places after the decimal point that give `expanded` two significant digits; negative: tens, hundreds.

    Args:
        expanded: Above zero, finite.
    """
    exact = Decimal(repr(expanded))
    places = 1 - exact.adjusted()
    # 0.0996 rounds into the next decade: 0.10, not 0.100.
    if exact.quantize(Decimal(1).scaleb(-places), ROUND_HALF_EVEN).adjusted() > exact.adjusted():
        places -= 1
    return min(places, MOST_DECIMALS)


def decimals_without_uncertainty(values: Iterable[float]) -> int:
    """Places that give the largest of `values` four significant digits."""
    largest = max((abs(value) for value in values if math.isfinite(value) and value != 0.0), default=1.0)
    return min(max(0, WITHOUT_UNCERTAINTY - 1 - Decimal(repr(largest)).adjusted()), MOST_DECIMALS)


def fixed(value: float, decimals: int, *, signed: bool = False) -> str:
    """`value` at `decimals` places (negative: rounded to tens, hundreds), with a true minus sign. Not for NaN."""
    rounded = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_EVEN)
    text = format(abs(rounded), "f") if decimals >= 0 else format(abs(rounded).to_integral_value(), "f")
    if rounded == 0:
        return text
    if rounded < 0:
        return MINUS + text
    return f"+{text}" if signed else text


def plain(value: float, digits: int = 6) -> str:
    """
    A number as set or counted: up to `digits` significant digits, no trailing zeros after the point, true minus sign.

    Below ten millions as 290, not as 2.9e+02.
    """
    text = f"{value:.{digits}g}"
    if "e+" in text and abs(value) < LARGEST_IN_FULL:
        text = f"{float(text):.0f}"
    return text.replace("-", MINUS)


def celsius(value: float | None) -> str:
    """A temperature as a heading shows it: "+25 °C"; None: the chamber was not used."""
    if value is None or math.isnan(value):
        return "not set"
    return f"{value:+.6g} °C".replace("-", MINUS)


def gigahertz(value_hz: float) -> str:
    """A frequency as a heading shows it: "14.125 GHz"."""
    return f"{value_hz / 1e9:.9g} GHz"


def whole(count: int) -> str:
    """A count with thin spaces between thousands (ISO 80000-1, 7.3.1, from memory)."""
    return f"{count:,}".replace(",", "\N{NARROW NO-BREAK SPACE}")


def clock_time(time_s: float) -> str:
    """Seconds since 1970-01-01T00:00:00Z as date and time."""
    return datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def day(time_s: float) -> str:
    """Seconds since 1970-01-01T00:00:00Z as a date; NaN: "date not stated"."""
    return "date not stated" if math.isnan(time_s) else datetime.fromtimestamp(time_s, UTC).strftime("%Y-%m-%d")


def duration(seconds: float) -> str:
    """A length of time as a person says it."""
    if seconds < 120:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 90 else f"{minutes // 60} h {minutes % 60:02d} min"
