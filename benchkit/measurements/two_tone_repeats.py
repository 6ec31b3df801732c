"""
Repeats of a two-tone ladder: means, but for what a mean would falsify.

The worse side is the lower of the two sides' means: a mean of each repeat's lower one would mix the sides, and be low by what
they scatter. A check by the attenuator is passed as well as its worst repeat passed it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from benchkit.results.repeats import combined, counted
from benchkit.results.result import Result, ResultCondition

__all__ = ["of_repeats"]

CHECK, WORST = "_attenuator_change", "_worst"
SIDES = ("lower", "upper")
_Key = tuple[str, str, ResultCondition]


def of_repeats(results: Sequence[Result], random: Sequence[str], asked: int) -> list[Result]:
    """One result for each quantity and condition, in the order of their first; as benchkit.results.repeats.combined."""
    each: dict[_Key, list[Result]] = {}
    for one in results:
        each.setdefault(_key(one), []).append(one)
    means = {_key(one): one for one in combined(results, random, asked)}
    return [_of(key, many, means, asked) for key, many in each.items()]


def _key(result: Result) -> _Key:
    return result.parameter, result.qualifier, result.condition


def _of(key: _Key, many: Sequence[Result], means: Mapping[_Key, Result], asked: int) -> Result:
    parameter, mean = key[0], means[key]
    if len(many) == 1 or mean.is_absent:
        return mean
    if parameter.endswith(CHECK):
        place = max(range(len(many)), key=lambda at: abs(many[at].value))
        return replace(many[place], found=f"{counted(len(many), asked, 'largest')}, of repeat {place + 1}; {many[place].found}")
    if parameter.endswith(WORST):
        stem = parameter.removesuffix(WORST)
        sides = {side: means[(f"{stem}_{side}", *key[1:])] for side in SIDES}
        name = min(SIDES, key=lambda side: sides[side].value)
        return replace(sides[name], parameter=parameter, convention=mean.convention, found=f"the {name} one; {sides[name].found}")
    return mean
