"""A float to text with its unit, as a person would write it; parse_quantity reads it back."""

from __future__ import annotations

import math
from decimal import Decimal

from benchkit.quantities.units import UNITS

__all__ = ["format_quantity"]


def format_quantity(value: float, unit: str, digits: int = 6) -> str:
    """
    `value` with an engineering prefix, rounded to `digits` significant digits: 14.125e9, "Hz" gives "14.125 GHz".

    NaN and infinities are written as such, for messages; parse_quantity does not read those back.

    Args:
        value: In `unit`.
        unit: As for parse_quantity.
        digits: Significant digits, 1 to 17; 17 loses nothing.
    """
    if not 1 <= digits <= 17:
        raise ValueError(f"digits: {digits} is not between 1 and 17")
    if not math.isfinite(value):
        return f"{value} {unit}"
    rounded = Decimal(f"{value:.{digits - 1}e}")
    prefixes = UNITS[unit].prefixes if unit in UNITS else {0: unit}
    if rounded == 0:
        return f"0 {prefixes[0]}"
    wanted = 3 * math.floor(rounded.adjusted() / 3)
    exponent = max((known for known in prefixes if known <= wanted), default=min(prefixes))
    mantissa = rounded.scaleb(-exponent)
    # Beyond these a row of zeros says less than an exponent.
    text = format(mantissa, "f") if -5 < mantissa.adjusted() < 16 else f"{mantissa.normalize():e}"
    if "." in text and "e" not in text:
        text = text.rstrip("0").rstrip(".")
    return f"{text} {prefixes[exponent]}"
