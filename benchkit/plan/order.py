"""
The order of temperatures that ends the night soonest.

A chamber's time goes into the way, in kelvins; how often it stops on the way makes no difference to that. All temperatures lie
between the lowest and the highest, so the shortest way goes to one of these two first, and then to the other: two monotone
legs, each temperature measured when it is first passed.
"""

from __future__ import annotations

from itertools import pairwise

__all__ = ["shortest", "way_k"]


def way_k(start_degc: float, visits_degc: tuple[float, ...]) -> float:
    """Kelvins from `start_degc` through all visits. [degC]"""
    return sum(abs(there - here) for here, there in pairwise((start_degc, *visits_degc)))


def shortest(
    written_degc: tuple[float, ...], start_degc: float, idle_degc: float, *, waits_for_idle: bool
) -> tuple[float, ...]:
    """
    The same visits in the order that ends the last of them soonest.

    A temperature that stands first and last is a return (for hysteresis): both visits stay where they are, and what lies
    between them is ordered.

    Args:
        start_degc: Where the chamber stands at the beginning. [degC]
        idle_degc: Where it goes at the end. [degC]
        waits_for_idle: The run waits for it there, so that this way counts too.

    Raises:
        ValueError: Another temperature is there twice: it is not known which visit is meant to come first.
    """
    if len(written_degc) > 1 and written_degc[0] == written_degc[-1]:
        first = written_degc[0]
        between = _ordered(written_degc[1:-1], first, first, counts_end=True)
        return (first, *between, first)
    return _ordered(written_degc, start_degc, idle_degc, counts_end=waits_for_idle)


def _ordered(visits_degc: tuple[float, ...], start_degc: float, end_degc: float, *, counts_end: bool) -> tuple[float, ...]:
    if len(set(visits_degc)) < len(visits_degc):
        raise ValueError("a temperature is there twice, and not as the first and the last")
    if not visits_degc:
        return ()
    # Cold first where both ways are alike: the night then ends warm, and nobody opens a cold chamber.
    candidates = [_by_legs(visits_degc, start_degc, turn_degc) for turn_degc in (min(visits_degc), max(visits_degc))]
    return min(candidates, key=lambda way: way_k(start_degc, (*way, end_degc) if counts_end else way))


def _by_legs(visits_degc: tuple[float, ...], start_degc: float, turn_degc: float) -> tuple[float, ...]:
    """First all that is passed on the way to one extreme, then the rest on the way to the other."""
    low, high = sorted((start_degc, turn_degc))
    passed = sorted((t for t in visits_degc if low <= t <= high), key=lambda t: abs(t - start_degc))
    rest = sorted((t for t in visits_degc if t not in passed), key=lambda t: abs(t - turn_degc))
    return (*passed, *rest)
