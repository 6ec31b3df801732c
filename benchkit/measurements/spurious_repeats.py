"""
Several searches of the same spectrum: the worst of them, with what each found told.

A search gives the worst of all it sees, and there is no mean of it: one repeat's strongest line may be another one than the
next one's, and a line that came once is no half a line. So the number is that of the repeat that is worst, with its own
uncertainty: what it was read with.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from benchkit.results.repeats import counted
from benchkit.results.result import Result

__all__ = ["OfSearch", "worst_of"]


class OfSearch(NamedTuple):
    """What one search came to; all absent where nothing can be said of the mask, the last two where no line stands out."""

    margin: Result
    level: Result
    relative: Result


def worst_of(repeats: Sequence[OfSearch], asked: int) -> list[Result]:
    """
    One result for each parameter.

    Args:
        repeats: Of one condition and drive, in the order in which they were made.
        asked: How many there should be.

    Returns:
        Where any repeat has no number for the distance from the mask, none; what the others found is in the reason.
    """
    if asked == 1 and len(repeats) == 1:
        return list(repeats[0])
    unusable = [one.margin for one in repeats if one.margin.is_absent]
    if unusable:
        usable = [one for one in repeats if not one.margin.is_absent]
        reason = f"absent in {len(unusable)} of {len(repeats)} repeats: {unusable[0].reason}"
        if usable:
            least = min(usable, key=lambda one: one.margin.value).margin
            reason += f"; smallest distance from the mask in the others: {_number(least)}"
        first = next(one for one in repeats if one.margin.is_absent)
        return [replace(result, reason=reason) for result in first]
    closest = min(range(len(repeats)), key=lambda place: repeats[place].margin.value)
    margin = _chosen([one.margin for one in repeats], closest, asked, "smallest")
    lines = [place for place, one in enumerate(repeats) if not one.level.is_absent]
    if not lines:
        each = "; ".join(f"repeat {place}: {one.level.reason}" for place, one in enumerate(repeats, 1))
        return [margin, *(replace(one, reason=each) for one in repeats[0][1:])]
    strongest = max(lines, key=lambda place: repeats[place].level.value)
    level = _chosen([one.level for one in repeats], strongest, asked, "strongest")
    return [margin, level, _chosen([one.relative for one in repeats], strongest, asked, "strongest")]


def _chosen(many: Sequence[Result], chosen: int, asked: int, what: str) -> Result:
    others = "; ".join(_each(many, lambda place: place != chosen))
    own = many[chosen]
    said = [f"{counted(len(many), asked, what)}, of repeat {chosen + 1}", own.found, others]
    return replace(own, convention=f"{own.convention}, of all repeats", found="; ".join(filter(None, said)))


def _each(many: Sequence[Result], is_told: Callable[[int], bool]) -> Iterator[str]:
    for place, one in enumerate(many):
        if is_told(place):
            yield f"repeat {place + 1}: {one.reason if one.is_absent else _number(one)}"


def _number(one: Result) -> str:
    return f"{one.value:.2f} {one.unit} {one.found}"
