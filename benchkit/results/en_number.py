"""
The En number and the zeta score of two measurements of one quantity (ISO/IEC 17043; ISO 13528:2015, 9.6 and 9.7).

En = (x1 - x2) / U(x1 - x2), expanded uncertainties, |En| <= 1 is agreement. What both measurements have in common (one
sensor, one path table) cannot make them differ: it is taken out of U(x1 - x2), or agreement would be overstated.
"""

from __future__ import annotations

import math

from benchkit.results.uncertainty import COVERAGE_FACTOR

__all__ = ["NOTHING_OWN", "en_number", "expanded_of_difference", "zeta_score"]

NOTHING_OWN = "neither measurement has an uncertainty of its own (U = 0, or all of it shared)"


def en_number(
    first: float, first_expanded: float, second: float, second_expanded: float, *, shared_standard: float = 0.0
) -> float:
    """
    (first - second) / sqrt(U1^2 + U2^2 - 2 (k u_shared)^2).

    Args:
        first, second: Values of one quantity, in one unit.
        first_expanded, second_expanded: k = 2, same unit, not below zero; shared part included in both.
        shared_standard: Standard uncertainty that both have in common, fully correlated.

    Raises:
        ValueError: A value that is not finite, a negative uncertainty, a shared part larger than one of the two, or
            nothing left that could make them differ (both 0, or all of it shared).
    """
    expanded = expanded_of_difference(first, first_expanded, second, second_expanded, shared_standard)
    if expanded == 0:
        raise ValueError(f"{NOTHING_OWN}: there is nothing to judge by")
    return (first - second) / expanded


def zeta_score(
    first: float, first_standard: float, second: float, second_standard: float, *, shared_standard: float = 0.0
) -> float:
    """As `en_number`, of standard uncertainties (ISO 13528:2015, 9.6): twice the En number of the same data."""
    expanded = (COVERAGE_FACTOR * first_standard, COVERAGE_FACTOR * second_standard)
    return COVERAGE_FACTOR * en_number(first, expanded[0], second, expanded[1], shared_standard=shared_standard)


def expanded_of_difference(
    first: float, first_expanded: float, second: float, second_expanded: float, shared_standard: float
) -> float:
    """Of the difference, k = 2, what is shared taken out of both; 0 when nothing is left. Arguments as for `en_number`."""
    if not (math.isfinite(first) and math.isfinite(second)):
        raise ValueError(f"values are {first} and {second}; both must be finite")
    shared = COVERAGE_FACTOR * shared_standard
    for name, value in (("first", first_expanded), ("second", second_expanded), ("shared", shared)):
        if not 0 <= value < math.inf:
            raise ValueError(f"{name} uncertainty is {value}; expected a finite number not below zero")
    if shared > min(first_expanded, second_expanded) * (1 + 1e-9):
        raise ValueError(
            f"shared part {shared:g} (k = 2) is larger than an uncertainty it is part of, "
            f"{min(first_expanded, second_expanded):g}"
        )
    # Each side less what it shares: differences of squares as products, so that nothing negative comes of rounding.
    own = [(max(value, shared) - shared) * (value + shared) for value in (first_expanded, second_expanded)]
    return math.sqrt(sum(own))
