"""
Two-tone intermodulation: the output intercept point, and when there is none.

Tones at f1 < f2; the products of odd order n beside them are at (n+1)/2 f1 - (n-1)/2 f2 (lower) and the mirror of it
(upper). Levels are at one output plane, per tone. A product of order n rises n dB per dB of drive; only there does an
intercept point mean anything: OIPn = Pf + (Pf - Pn) / (n - 1) (Pozar, Microwave Engineering, 4th ed., 10.3).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike

from benchkit.results.absent import Absent
from benchkit.results.curve import as_ladder

__all__ = [
    "InterceptPoint",
    "ProductOrder",
    "cascaded_intercept_dbm",
    "check_order",
    "intercept_distance_db",
    "intercept_point",
]

ProductOrder = Literal[3, 5]
LARGEST_TONE_DIFFERENCE_DB = 3.0
"""Unequal tones are corrected by the law of the product; beyond this the two are no longer one measurement."""


@dataclass(frozen=True)
class InterceptPoint:
    """
    At one drive.

    Attributes:
        order: 3 or 5.
        intercept_dbm: OIPn from the mean tone and the mean product. [dBm]
        lower_dbm, upper_dbm: From each product alone, corrected for unequal tones. [dBm]
        tone_dbm: Pf, mean of both tones in dB: the level of one tone. [dBm]
        product_dbm: Pn, mean of both products in mW, each brought to equal tones. [dBm]
        asymmetry_db: Upper less lower product, so brought. [dB]
        tone_difference_db: Upper less lower tone. [dB]
    """

    order: ProductOrder
    intercept_dbm: float
    lower_dbm: float
    upper_dbm: float
    tone_dbm: float
    product_dbm: float
    asymmetry_db: float
    tone_difference_db: float

    @property
    def convention(self) -> str:
        """For the data sheet."""
        return f"OIP{self.order}: tones averaged in dB, products in mW, unequal tones corrected; per tone"


def intercept_point(
    lower_tone_dbm: float,
    upper_tone_dbm: float,
    lower_product_dbm: float,
    upper_product_dbm: float,
    *,
    order: ProductOrder = 3,
) -> InterceptPoint | Absent:
    """
    Output intercept point of one two-tone reading, whether or not the device is on its slope there.

    Args:
        lower_tone_dbm, upper_tone_dbm: Output level of each tone. [dBm]
        lower_product_dbm, upper_product_dbm: Output level of each product of this order. [dBm]
        order: 3 or 5.

    Returns:
        Absent when a level is missing (NaN), the tones differ by more than 3 dB, or a product is not below the tones.

    Raises:
        ValueError: Another order.
    """
    check_order(order)
    levels = (lower_tone_dbm, upper_tone_dbm, lower_product_dbm, upper_product_dbm)
    if not all(math.isfinite(level) for level in levels):
        return Absent(f"OIP{order}: a tone or a product has no reading")
    difference = upper_tone_dbm - lower_tone_dbm
    if abs(difference) > LARGEST_TONE_DIFFERENCE_DB:
        return Absent(f"OIP{order}: tones differ by {abs(difference):.2f} dB, more than {LARGEST_TONE_DIFFERENCE_DB:g} dB")
    tone = (lower_tone_dbm + upper_tone_dbm) / 2
    # The lower product goes as A1^((n+1)/2) A2^((n-1)/2): against equal tones it is off by half their difference, any n.
    lower, upper = lower_product_dbm + difference / 2, upper_product_dbm - difference / 2
    product = 10 * math.log10((10 ** (lower / 10) + 10 ** (upper / 10)) / 2)
    if max(lower, upper) >= tone:
        return Absent(f"OIP{order}: a product ({max(lower, upper):+.2f} dBm) is not below the tones ({tone:+.2f} dBm)")

    def intercept(level: float) -> float:
        return tone + (tone - level) / (order - 1)

    return InterceptPoint(order, intercept(product), intercept(lower), intercept(upper), tone, product, upper - lower, difference)


def intercept_distance_db(intercept_dbm: float | Absent, p1db_dbm: float | Absent) -> float | Absent:
    """OIP3 - P1dB, both at the output; Absent with its reason when either is. Cubic law: 10.6 dB (Razavi, ch. 2). [dB]"""
    for value in (intercept_dbm, p1db_dbm):
        if isinstance(value, Absent):
            return value
    assert not isinstance(intercept_dbm, Absent)
    assert not isinstance(p1db_dbm, Absent)
    return intercept_dbm - p1db_dbm


def cascaded_intercept_dbm(gain_db: ArrayLike, output_intercept_dbm: ArrayLike, *, coherent: bool) -> float:
    """
    OIP3 of stages in a row (Pozar, eq. 10.54 coherent, 10.55 not). [dBm]

    Args:
        gain_db: Of each stage, from the input on, shape (n,); a loss is negative. [dB]
        output_intercept_dbm: OIP3 of each, at its own output, shape (n,). [dBm]
        coherent: Products add in voltage (the worst case); otherwise in power.

    Raises:
        ValueError: Shapes, no stage, or a value that is not finite.
    """
    gain, own = as_ladder(gain_db, output_intercept_dbm)
    if gain.size == 0 or not (np.isfinite(gain).all() and np.isfinite(own).all()):
        raise ValueError("a cascade needs one stage or more, each with a finite gain and intercept")
    behind = gain.sum() - np.cumsum(gain)
    inverse = 10 ** (-(own + behind) / 10)
    total = inverse.sum() if coherent else math.sqrt(float((inverse**2).sum()))
    return -10 * math.log10(total)


def check_order(order: int) -> None:
    """ValueError unless 3 or 5."""
    if order not in get_args(ProductOrder):
        raise ValueError(f"order is {order}; expected 3 or 5")
