"""
The intercept point of a drive ladder: from the points in back-off, above the noise, and on the slope of their product.

A product that is not on its slope has no intercept point, however well the arithmetic goes: it is Absent with the slope.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.absent import Absent
from benchkit.results.curve import as_ladder
from benchkit.results.intercept import InterceptPoint, ProductOrder, check_order, intercept_point
from benchkit.results.regression import fit_line

__all__ = ["InterceptFit", "ProductSlopes", "fit_intercept", "product_slopes"]

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class InterceptFit:
    """
    Over a drive ladder, from the points in back-off and above the noise.

    Attributes:
        order: 3 or 5.
        intercept_dbm: Mean of the points' intercepts. [dBm]
        spread_db: Highest less lowest of them. [dB]
        lower_slope, upper_slope: Of each product against drive, by least squares; about `order`. [dB/dB]
        tone_slope: Of the mean tone; about 1. [dB/dB]
        points: One InterceptPoint per point used, by ascending drive.
        not_backed_off, in_noise: Points left out for being too high, or a product too near the noise.
        convention: In words.
    """

    order: ProductOrder
    intercept_dbm: float
    spread_db: float
    lower_slope: float
    upper_slope: float
    tone_slope: float
    points: tuple[InterceptPoint, ...]
    not_backed_off: int
    in_noise: int
    convention: str


@dataclass(frozen=True)
class ProductSlopes:
    """
    Attributes:
        lower, upper: Of each product against drive, by least squares. [dB/dB]
        lower_standard_error, upper_standard_error: From the scatter about the line. [dB/dB]
        places: The points used, by their places in the ladder.
    """

    lower: float
    upper: float
    lower_standard_error: float
    upper_standard_error: float
    places: tuple[int, ...]


def fit_intercept(
    drive_dbm: ArrayLike,
    lower_tone_dbm: ArrayLike,
    upper_tone_dbm: ArrayLike,
    lower_product_dbm: ArrayLike,
    upper_product_dbm: ArrayLike,
    *,
    order: ProductOrder = 3,
    p1db_dbm: float,
    back_off_db: float,
    noise_dbm: ArrayLike,
    noise_margin_db: float = 10.0,
    slope_tolerance: float = 0.2,
) -> InterceptFit | Absent:
    """
    Output intercept point of a drive ladder, and proof that the products follow their law.

    Args:
        drive_dbm: Input level per tone, strictly ascending, shape (n,). [dBm]
        lower_tone_dbm, upper_tone_dbm, lower_product_dbm, upper_product_dbm: Output, shape (n,); NaN: no reading. [dBm]
        order: 3 or 5.
        p1db_dbm: Output at 1 dB compression, one tone. [dBm]
        back_off_db: Points count whose total output of both tones is this far below P1dB, or further; above zero. [dB]
        noise_dbm: Noise in the analyser's bandwidth at the products, one number or shape (n,). [dBm]
        noise_margin_db: Points count whose products are this far above it: at 10 dB noise adds up to 0.4 dB. [dB]
        slope_tolerance: Largest |slope - order| of either product. [dB/dB]

    Returns:
        Absent with fewer than three points left, or a product that is not on its slope: with the numbers of it.

    Raises:
        ValueError: Shapes, drive not ascending, or an argument out of its range.
    """
    if not 0 < slope_tolerance < math.inf:
        raise ValueError(f"slope tolerance is {slope_tolerance}; expected above zero")
    found = _usable(
        drive_dbm, (lower_tone_dbm, upper_tone_dbm, lower_product_dbm, upper_product_dbm), order,
        p1db_dbm=p1db_dbm, back_off_db=back_off_db, noise_dbm=noise_dbm, noise_margin_db=noise_margin_db,
    )  # fmt: skip
    if isinstance(found, Absent):
        return found
    drive, tones, products, used = found.drive, found.tones, found.products, found.places
    levels = (*tones, *products)
    slopes = [fit_line(drive[used], level[used]).slope for level in products]
    for name, slope in zip(("lower", "upper"), slopes, strict=True):
        if not abs(slope - order) <= slope_tolerance:
            return Absent(
                f"OIP{order}: the {name} product rises by {slope:.2f} dB per dB of drive, not {order} within "
                f"{slope_tolerance:g}, over {used.size} points from {drive[used[0]]:+.2f} to {drive[used[-1]]:+.2f} dBm"
            )
    points = []
    for k in used:
        lower_tone, upper_tone, lower, upper = (float(level[k]) for level in levels)
        point = intercept_point(lower_tone, upper_tone, lower, upper, order=order)
        if isinstance(point, Absent):
            return Absent(f"{point.reason}, at drive {drive[k]:+.2f} dBm")
        points.append(point)
    values = [point.intercept_dbm for point in points]
    return InterceptFit(
        order=order,
        intercept_dbm=math.fsum(values) / len(values),
        spread_db=max(values) - min(values),
        lower_slope=slopes[0],
        upper_slope=slopes[1],
        tone_slope=fit_line(drive[used], tones[:, used].mean(axis=0)).slope,
        points=tuple(points),
        not_backed_off=found.not_backed_off,
        in_noise=found.in_noise,
        convention=f"{points[0].convention}; mean of points {back_off_db:g} dB or more below P1dB, "
        f"slope {order} within {slope_tolerance:g}",
    )


def product_slopes(
    drive_dbm: ArrayLike,
    lower_tone_dbm: ArrayLike,
    upper_tone_dbm: ArrayLike,
    lower_product_dbm: ArrayLike,
    upper_product_dbm: ArrayLike,
    *,
    order: ProductOrder = 3,
    p1db_dbm: float,
    back_off_db: float,
    noise_dbm: ArrayLike,
    noise_margin_db: float = 10.0,
) -> ProductSlopes | Absent:
    """
    Slope of both products against drive over the points that fit_intercept() would use, whatever the slope is.

    Arguments and errors as fit_intercept(); Absent with fewer than three points.
    """
    found = _usable(
        drive_dbm, (lower_tone_dbm, upper_tone_dbm, lower_product_dbm, upper_product_dbm), order,
        p1db_dbm=p1db_dbm, back_off_db=back_off_db, noise_dbm=noise_dbm, noise_margin_db=noise_margin_db,
    )  # fmt: skip
    if isinstance(found, Absent):
        return found
    used = found.places
    lower, upper = (fit_line(found.drive[used], product[used]) for product in found.products)
    places = tuple(int(place) for place in used)
    return ProductSlopes(lower.slope, upper.slope, lower.slope_standard_error, upper.slope_standard_error, places)


@dataclass(frozen=True)
class _Usable:
    """Points in back-off and above the noise: their places among all, and why others are not among them."""

    drive: Floats
    tones: Floats
    products: Floats
    places: NDArray[np.intp]
    not_backed_off: int
    in_noise: int


def _usable(
    drive_dbm: ArrayLike,
    levels_dbm: Sequence[ArrayLike],
    order: ProductOrder,
    *,
    p1db_dbm: float,
    back_off_db: float,
    noise_dbm: ArrayLike,
    noise_margin_db: float,
) -> _Usable | Absent:
    """Absent with fewer than three; ValueError as fit_intercept()."""
    check_order(order)
    for name, value in (("back-off", back_off_db), ("noise margin", noise_margin_db)):
        if not 0 < value < math.inf:
            raise ValueError(f"{name} is {value}; expected above zero")
    if not math.isfinite(p1db_dbm):
        raise ValueError(f"P1dB is {p1db_dbm}: without it there is no back-off; state the level it is counted from")
    drive, *levels = as_ladder(drive_dbm, *levels_dbm)
    if not (np.isfinite(drive).all() and (np.diff(drive) > 0).all()):
        raise ValueError("drive levels must be finite and strictly ascending")
    noise = np.broadcast_to(np.asarray(noise_dbm, dtype=np.float64), drive.shape)
    if not np.isfinite(noise).all():
        raise ValueError("noise must be a finite level at every point")
    tones, products = np.array(levels[:2]), np.array(levels[2:])
    read = np.isfinite(tones).all(axis=0) & np.isfinite(products).all(axis=0)
    total = 10 * np.log10(np.sum(10 ** (tones / 10), axis=0))
    backed_off = read & (total <= p1db_dbm - back_off_db)
    above = products.min(axis=0) >= noise + noise_margin_db
    used = np.flatnonzero(backed_off & above)
    too_high, in_noise = int((read & ~backed_off).sum()), int((backed_off & ~above).sum())
    if used.size < 3:
        return Absent(
            f"OIP{order}: {used.size} of {drive.size} points are left, three are needed: {too_high} within {back_off_db:g} dB of "
            f"P1dB, {in_noise} with a product less than {noise_margin_db:g} dB above the noise, {int((~read).sum())} not read"
        )
    return _Usable(drive, tones, products, used, too_high, in_noise)
