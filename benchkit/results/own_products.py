"""
Whose intermodulation is it: the device's, or the analyser's own?

With A dB more attenuation at its input, the analyser's own product of order n falls by (n - 1) A dB against the signal
(common practice, no source); the device's stays where it was.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["AttenuatorStep", "attenuator_step"]


@dataclass(frozen=True)
class AttenuatorStep:
    """
    Attributes:
        change_db: Product with more attenuation less product with less, both corrected for the attenuator. [dB]
        step_db: By how much the attenuation was raised. [dB]
        tolerance_db: Largest |change| that passes. [dB]
        own_change_db: What a product wholly the analyser's own would have changed by, -(n - 1) x step. [dB]
        is_clean: Whether the product did not change by more than the tolerance.
        reason: What it means, in words.
    """

    change_db: float
    step_db: float
    tolerance_db: float
    own_change_db: float
    is_clean: bool
    reason: str


def attenuator_step(
    product_dbm: float, product_attenuated_dbm: float, step_db: float, *, tolerance_db: float, order: int = 3
) -> AttenuatorStep:
    """
    Judge one product by an attenuator step.

    Noise rises by the step too: the product must stand above it at the higher attenuation. In one unlucky phase the
    analyser's product hides (its share before and after gives the same sum); two different steps find that.

    Args:
        product_dbm: As read, corrected for the attenuator. [dBm]
        product_attenuated_dbm: With `step_db` more attenuation. [dBm]
        step_db: Above zero. [dB]
        tolerance_db: Above zero; should be well below (order - 1) x step. [dB]
        order: Of the product, 2 or more; the even ones are harmonics.

    Raises:
        ValueError: A level that is not finite, or an argument out of its range.
    """
    if order < 2:
        raise ValueError(f"order is {order}; expected 2 or more")
    own = -(order - 1) * step_db
    if not 0 < tolerance_db < -own:
        raise ValueError(
            f"a tolerance of {tolerance_db} dB with a step of {step_db} dB; expected above 0 and below {-own:g} dB, "
            "what the analyser's own product would change by"
        )
    change = product_attenuated_dbm - product_dbm
    if not math.isfinite(change):
        raise ValueError(f"products are {product_dbm} and {product_attenuated_dbm} dBm; both readings are needed")
    clean = abs(change) <= tolerance_db
    if clean:
        reason = f"product changed by {change:+.2f} dB for {step_db:g} dB of attenuation: the device's own"
    elif change < 0:
        reason = f"product fell by {-change:.2f} dB for {step_db:g} dB of attenuation: partly the analyser's; attenuate more"
    else:
        reason = (
            f"product rose by {change:.2f} dB for {step_db:g} dB of attenuation: noise, or the analyser's product "
            "cancels part of it; narrow the bandwidth, or attenuate more"
        )
    return AttenuatorStep(change, step_db, tolerance_db, own, clean, reason)
