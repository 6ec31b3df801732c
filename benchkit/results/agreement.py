"""
Do two measurements of one thing agree? By the En number (ISO/IEC 17043; ISO 13528:2015, 9.7), parameter by parameter.

|En| <= 1 is agreement; where it is not reached, hints say in which contributions the two budgets differ.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from benchkit.results.en_number import NOTHING_OWN, expanded_of_difference
from benchkit.results.result import Result
from benchkit.results.uncertainty import COVERAGE_FACTOR, Budget

__all__ = ["Agreement", "AgreementTable", "Hint", "agreement", "agreement_table"]

_REMARKABLE = 2.0
_MOST_HINTS = 3
_IDENTITY = ("parameter", "qualifier", "unit", "plane", "condition", "convention")


_Key = tuple[object, ...]


@dataclass(frozen=True)
class Hint:
    """
    A contribution that the two budgets do not have alike.

    Attributes:
        name: Of the contribution.
        first, second: Its amount in each, standard uncertainty in the unit of the result; 0 where it has none of it.
        text: In words.
    """

    name: str
    first: float
    second: float
    text: str


@dataclass(frozen=True)
class Agreement:
    """
    One parameter, twice.

    Attributes:
        first, second: The results.
        difference: First less second, in their unit; NaN when one is absent.
        expanded_uncertainty: Of the difference, k = 2, common part taken out; NaN when not known.
        shared_standard_uncertainty: What was taken out of each side.
        en: En number; NaN when there is none.
        reason: Why there is no En number; else "".
        hints: Where the budgets differ, largest first; empty without budgets.
    """

    first: Result
    second: Result
    difference: float
    expanded_uncertainty: float
    shared_standard_uncertainty: float
    en: float
    reason: str = ""
    hints: tuple[Hint, ...] = ()

    @property
    def is_judged(self) -> bool:
        """Whether there is an En number."""
        return not math.isnan(self.en)

    @property
    def agrees(self) -> bool:
        """|En| <= 1. False without an En number: not judged is not agreement."""
        return abs(self.en) <= 1.0

    @property
    def zeta(self) -> float:
        """The same with standard uncertainties: 2 En; |zeta| <= 2 is agreement."""
        return COVERAGE_FACTOR * self.en


@dataclass(frozen=True)
class AgreementTable:
    """
    Two measurements, parameter by parameter.

    Attributes:
        rows: What both have, in the order of the first.
        only_first, only_second: What the other has not.
    """

    rows: tuple[Agreement, ...]
    only_first: tuple[Result, ...]
    only_second: tuple[Result, ...]

    @property
    def disagreements(self) -> tuple[Agreement, ...]:
        """Rows with |En| > 1, worst first."""
        return tuple(sorted((r for r in self.rows if r.is_judged and not r.agrees), key=lambda r: -abs(r.en)))

    @property
    def agrees(self) -> bool:
        """Every row is judged and agrees, there is one at least, and nothing is left over on either side."""
        return bool(self.rows) and all(r.agrees for r in self.rows) and not (self.only_first or self.only_second)


def agreement(
    first: Result,
    second: Result,
    *,
    shared_standard: float = 0.0,
    first_budget: Budget | None = None,
    second_budget: Budget | None = None,
) -> Agreement:
    """
    Compare one result with another of the same parameter, qualifier, unit, plane, condition and convention.

    An absent result that does not say how it would have been defined goes with any.

    Args:
        first, second: The results.
        shared_standard: Standard uncertainty that both have in common, in their unit.
        first_budget, second_budget: What their uncertainties are made of, for hints.

    Returns:
        Without En number, and with the reason, when a result is absent, its uncertainty is not known, or neither has any of its
        own.

    Raises:
        ValueError: They are not of one quantity, or the shared part is larger than one of the two.
    """
    different = [name for name, a, b in zip(_IDENTITY, _identity(first), _identity(second), strict=True) if a != b]
    if different == ["convention"] and (_is_undefined(first) or _is_undefined(second)):
        different = []
    if different:
        raise ValueError(f"{first.parameter} and {second.parameter} cannot be compared: they differ in {', '.join(different)}")
    hints = _hints(first_budget, second_budget)
    for which, result in (("first", first), ("second", second)):
        why = ""
        if result.is_absent:
            why = f"absent in the {which}: {result.reason or 'no reason given'}"
        elif math.isnan(result.expanded_uncertainty):
            why = f"no uncertainty in the {which}: {result.uncertainty_reason or 'no reason given'}"
        if why:
            return Agreement(first, second, first.value - second.value, math.nan, shared_standard, math.nan, why, hints)
    expanded = expanded_of_difference(
        first.value, first.expanded_uncertainty, second.value, second.expanded_uncertainty, shared_standard
    )
    difference = first.value - second.value
    if expanded == 0:
        return Agreement(first, second, difference, expanded, shared_standard, math.nan, NOTHING_OWN, hints)
    return Agreement(first, second, difference, expanded, shared_standard, difference / expanded, "", hints)


def agreement_table(
    first: Sequence[Result],
    second: Sequence[Result],
    *,
    shared_standard: Mapping[str, float] | Callable[[Result], float] | None = None,
    budgets: Callable[[Result], tuple[Budget | None, Budget | None]] | None = None,
) -> AgreementTable:
    """
    Compare two sets of results.

    Results belong together by parameter, qualifier, unit, plane, condition and convention; frequencies, temperatures and
    voltages of a condition are set points and must be equal. An absent result that does not say how it would have been defined
    goes with the one number that differs from it in convention alone, when there is just one.

    Args:
        first, second: Each without two results of one identity.
        shared_standard: Standard uncertainty in common, by name of the parameter (others: none), or a function of the
            first result.
        budgets: The budgets of both, given the first result.

    Raises:
        ValueError: Two results of one identity in a set, or as for `agreement`.
    """
    ours, theirs = _by_identity(first, "first"), _by_identity(second, "second")
    partners = _partners(ours, theirs)
    rows = []
    for key, other in partners.items():
        result = ours[key]
        shared = shared_standard(result) if callable(shared_standard) else (shared_standard or {}).get(result.parameter, 0.0)
        pair = budgets(result) if budgets is not None else (None, None)
        rows.append(agreement(result, theirs[other], shared_standard=shared, first_budget=pair[0], second_budget=pair[1]))
    return AgreementTable(
        tuple(rows),
        tuple(result for key, result in ours.items() if key not in partners),
        tuple(result for key, result in theirs.items() if key not in partners.values()),
    )


def _is_undefined(result: Result) -> bool:
    return result.is_absent and not result.convention


def _identity(result: Result) -> _Key:
    return tuple(getattr(result, name) for name in _IDENTITY)


def _by_identity(results: Sequence[Result], which: str) -> dict[_Key, Result]:
    found: dict[_Key, Result] = {}
    for result in results:
        if _identity(result) in found:
            raise ValueError(f"the {which} set has two results of {result.parameter} {result.qualifier} at {result.condition}")
        found[_identity(result)] = result
    return found


def _partners(ours: Mapping[_Key, Result], theirs: Mapping[_Key, Result]) -> dict[_Key, _Key]:
    found: dict[_Key, _Key] = {}
    for key, result in ours.items():
        others = [key] if key in theirs else [k for k in theirs if k not in ours and k[:-1] == key[:-1]]
        one_absent = len(others) == 1 and (_is_undefined(result) or _is_undefined(theirs[others[0]]))
        if others == [key] or (one_absent and others[0] not in found.values()):
            found[key] = others[0]
    return found


def _hints(first: Budget | None, second: Budget | None) -> tuple[Hint, ...]:
    if first is None or second is None:
        return ()
    amounts = [_amounts(budget) for budget in (first, second)]
    found = []
    for name in dict.fromkeys((*amounts[0], *amounts[1])):
        a, b = amounts[0].get(name, 0.0), amounts[1].get(name, 0.0)
        if max(a, b) == 0 or max(a, b) < _REMARKABLE * min(a, b):
            continue
        if min(a, b) == 0:
            text = f"{name}: {max(a, b):.2g} in the {'first' if a else 'second'} only"
        else:
            text = f"{name}: {a:.2g} in the first, {b:.2g} in the second"
        found.append(Hint(name, a, b, text))
    found.sort(key=lambda hint: -abs(hint.first**2 - hint.second**2))
    return tuple(found[:_MOST_HINTS])


def _amounts(budget: Budget) -> dict[str, float]:
    amounts: dict[str, float] = {}
    for line in budget.contributions:
        amounts[line.name] = math.hypot(amounts.get(line.name, 0.0), line.amount)
    return amounts
