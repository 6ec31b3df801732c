"""
Lowest, typical and highest of a result over units, temperatures, channels and frequencies: the rows of a data sheet.

Typical is the median: half the parts, conditions or frequencies lie on either side, and one odd part does not move it.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Literal, get_args

from benchkit.results.result import Result

__all__ = ["Located", "Spread", "SpreadKey", "spread"]

SpreadKey = Literal["unit", "temperature_degc", "channel", "supply_voltage_v", "frequency_hz"]


@dataclass(frozen=True)
class Located:
    """A result and the serial number of the unit it belongs to."""

    unit_serial: str
    result: Result


@dataclass(frozen=True)
class Spread:
    """
    One row: a parameter under one qualifier and convention.

    Attributes:
        parameter, qualifier, convention, unit, plane: What all results of the row share; `unit` is that of the number.
        kept: Quantities that were kept apart, and their values in this row.
        lowest, highest: The results at both ends, with their conditions and uncertainties; None when all are absent.
        typical: Median; NaN when there is none. In `unit`.
        typical_reason: Why there is no typical value; else "".
        typical_count: How many numbers the median is of.
        count: Numbers in the row.
        absent: Results without a number.
        absent_reasons: Each reason and how often it was given, most frequent first.
    """

    parameter: str
    qualifier: str
    convention: str
    unit: str
    plane: str
    kept: tuple[tuple[SpreadKey, str | float | None], ...]
    lowest: Located | None
    highest: Located | None
    typical: float
    typical_reason: str
    typical_count: int
    count: int
    absent: int
    absent_reasons: tuple[tuple[str, int], ...]

    @property
    def minimum(self) -> float:
        """Lowest value, in `unit`; NaN when all are absent."""
        return math.nan if self.lowest is None else self.lowest.result.value

    @property
    def maximum(self) -> float:
        """Highest value, in `unit`; NaN when all are absent."""
        return math.nan if self.highest is None else self.highest.result.value


def spread(
    results: Mapping[str, Sequence[Result]],
    *,
    keep: Sequence[SpreadKey] = ("supply_voltage_v",),
    typical_at_degc: float | None = None,
) -> list[Spread]:
    """
    Group results into data-sheet rows.

    Results are grouped by parameter, qualifier, convention, unit and plane, so that numbers of different definition
    never share a row, and by what `keep` names. Everything else is spread over. An absent result was not defined by any
    convention in the end: it is counted with the numbers of its parameter where these have one convention only.

    Args:
        results: Serial number of the unit to its results.
        keep: What is not spread over; each of its values makes rows of its own.
        typical_at_degc: Take the median of the results at this temperature only; None: of all. [degC]

    Returns:
        Rows in the order in which their parameters first appear, then by the kept values.

    Raises:
        ValueError: `keep` names something unknown.
    """
    unknown = [key for key in keep if key not in get_args(SpreadKey)]
    if unknown:
        raise ValueError(f"cannot keep {unknown[0]!r} apart; choose from {', '.join(get_args(SpreadKey))}")
    groups: dict[tuple[object, ...], dict[str, list[Located]]] = {}
    for located in (Located(serial, result) for serial, of_unit in results.items() for result in of_unit):
        r = located.result
        kept = tuple(_value(located, key) for key in keep)
        by_convention = groups.setdefault((r.parameter, r.qualifier, r.unit, r.plane, kept), {})
        by_convention.setdefault(r.convention, []).append(located)
    rows = [
        _row(members, keep, typical_at_degc)
        for by_convention in groups.values()
        for members in _absent_with_present(by_convention)
    ]
    order: dict[tuple[object, ...], int] = {}
    for row in rows:
        order.setdefault(_definition(row), len(order))
    return sorted(rows, key=lambda row: (order[_definition(row)], *map(_sortable, row.kept)))


def _definition(row: Spread) -> tuple[object, ...]:
    return row.parameter, row.qualifier, row.convention, row.unit, row.plane


def _absent_with_present(by_convention: dict[str, list[Located]]) -> list[list[Located]]:
    with_number = [any(not located.result.is_absent for located in members) for members in by_convention.values()]
    if sum(with_number) != 1:
        return list(by_convention.values())
    # The members with numbers first: the row takes its convention from its first member.
    order = sorted(zip(with_number, by_convention.values(), strict=True), key=lambda pair: not pair[0])
    return [[located for _, members in order for located in members]]


def _row(members: list[Located], keep: Sequence[SpreadKey], typical_at_degc: float | None) -> Spread:
    first = members[0].result
    present = [located for located in members if not located.result.is_absent]
    central = list(_central(present, typical_at_degc))
    reason = ""
    if not central:
        where = "" if typical_at_degc is None or not present else f" at {typical_at_degc:g} °C"
        reason = f"no number{where}"
    reasons = Counter(located.result.reason or "no reason given" for located in members if located.result.is_absent)
    return Spread(
        parameter=first.parameter,
        qualifier=first.qualifier,
        convention=first.convention,
        unit=first.unit,
        plane=first.plane,
        kept=tuple((key, _value(members[0], key)) for key in keep),
        lowest=min(present, key=_number, default=None),
        highest=max(present, key=_number, default=None),
        typical=median(central) if central else math.nan,
        typical_reason=reason,
        typical_count=len(central),
        count=len(present),
        absent=len(members) - len(present),
        absent_reasons=tuple(reasons.most_common()),
    )


def _central(present: Sequence[Located], typical_at_degc: float | None) -> Iterator[float]:
    for located in present:
        temperature = located.result.condition.temperature_degc
        # 0.01 degC: a set point read back from a file is the same set point.
        if typical_at_degc is None or (temperature is not None and abs(temperature - typical_at_degc) < 0.01):
            yield located.result.value


def _number(located: Located) -> float:
    return located.result.value


def _value(located: Located, key: SpreadKey) -> str | float | None:
    if key == "unit":
        return located.unit_serial
    value: str | float | None = getattr(located.result.condition, key)
    return value


def _sortable(kept: tuple[SpreadKey, str | float | None]) -> tuple[int, float, str]:
    value = kept[1]
    if value is None:
        return (0, 0.0, "")
    return (1, 0.0, value) if isinstance(value, str) else (1, float(value), "")
