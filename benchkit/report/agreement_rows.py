"""A comparison's rows as printed: each number at the place that the uncertainty of the difference allows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchkit.campaign.compare import Row
from benchkit.report.digits import decimals_for, difference_unit, fixed, plain, scale_for, supply_of
from benchkit.report.sheet import place_text
from benchkit.results.result import Parameter

__all__ = ["AgreementRow", "ParameterSummary", "agreement_rows", "by_parameter"]

DIGITS_WITHOUT_UNCERTAINTY = 5


@dataclass(frozen=True)
class AgreementRow:
    """
    As printed; differences are first less second, U with common parts taken out.

    Attributes:
        en: The number, or why there is none.
        doubt: Notes of the results; "": none.
    """

    label: str
    where: str
    first: str
    first_uncertainty: str
    second: str
    second_uncertainty: str
    unit: str
    difference: str
    uncertainty: str
    difference_unit: str
    en: str
    disagrees: bool
    doubt: str


@dataclass(frozen=True)
class ParameterSummary:
    """All rows of one parameter: how many, how many disagree, and the worst of them."""

    label: str
    count: int
    disagree: int
    worst: AgreementRow


def by_parameter(rows: Sequence[AgreementRow]) -> list[ParameterSummary]:
    """The parameter with the worst row first."""
    found: dict[str, list[AgreementRow]] = {}
    # Rows come worst first, and so do their parameters.
    for row in rows:
        found.setdefault(row.label, []).append(row)
    return [ParameterSummary(label, len(many), sum(row.disagrees for row in many), many[0]) for label, many in found.items()]


def agreement_rows(rows: Sequence[Row], parameters: Mapping[str, Parameter]) -> tuple[AgreementRow, ...]:
    """In their order."""
    return tuple(_row(row, parameters) for row in rows)


def _supply(row: Row) -> str:
    return supply_of(row.condition.supply_voltage_v)


def _row(row: Row, parameters: Mapping[str, Parameter]) -> AgreementRow:
    label = parameters[row.parameter].label if row.parameter in parameters else row.parameter
    scale = scale_for(row.unit, (row.first, row.second))
    expanded = row.difference_expanded * scale.factor
    digits = decimals_for(expanded) if math.isfinite(expanded) and expanded > 0 else None

    def text(value: float, missing: str, *, signed: bool = False) -> str:
        if math.isnan(value):
            return missing
        if digits is None:
            return plain(value * scale.factor, DIGITS_WITHOUT_UNCERTAINTY)
        return fixed(value * scale.factor, digits, signed=signed)

    return AgreementRow(
        label=", ".join(filter(None, [label, row.qualifier])),
        where=", ".join(filter(None, [place_text(row.condition), _supply(row)])),
        first=text(row.first, "absent"),
        first_uncertainty=text(row.first_expanded, ""),
        second=text(row.second, "absent"),
        second_uncertainty=text(row.second_expanded, ""),
        unit=scale.unit,
        difference=text(row.difference, "", signed=True),
        uncertainty="" if digits is None else fixed(expanded, digits),
        difference_unit=difference_unit(scale.unit),
        en=row.reason or fixed(row.en, 2, signed=True),
        disagrees=row.disagrees,
        doubt=row.doubt,
    )
