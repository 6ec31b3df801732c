"""Which row a result belongs to, and how the numbers of one row are printed."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.report.digits import Scale, decimals_for, decimals_without_uncertainty, fixed, scale_for
from benchkit.results.result import Result
from benchkit.results.spread import Spread

__all__ = ["RowKey", "RowNumbers", "result_key", "row_key", "row_numbers"]

# Below this part of the value an uncertainty is the arithmetic's noise: a fit through points without scatter.
NOTHING = 1e-9
RowKey = tuple[str, str, str, str, str, float | None]


@dataclass(frozen=True)
class RowNumbers:
    """How the numbers of one row are printed: all at the place that the row's largest uncertainty allows."""

    scale: Scale
    decimals: int
    uncertainty: str
    uncertainty_reason: str

    def text(self, value: float) -> str:
        return "" if math.isnan(value) else fixed(value * self.scale.factor, self.decimals)


def row_key(row: Spread) -> RowKey:
    """What tells rows apart."""
    kept = dict(row.kept)
    supply = kept.get("supply_voltage_v")
    return row.parameter, row.qualifier, row.convention, row.unit, row.plane, None if supply is None else float(supply)


def result_key(result: Result) -> RowKey:
    """The row that a result belongs to."""
    return (
        result.parameter, result.qualifier, result.convention, result.unit, result.plane, result.condition.supply_voltage_v,
    )  # fmt: skip


def row_numbers(members: Sequence[Result]) -> RowNumbers:
    """Unit, places and uncertainty for a row; the largest uncertainty of all its numbers stands for the row."""
    present = [result for result in members if not result.is_absent]
    scale = scale_for(members[0].unit, (result.value for result in present), members[0].parameter)
    known = [r.expanded_uncertainty for r in present if math.isfinite(r.expanded_uncertainty)]
    unknown = Counter(r.uncertainty_reason or "no reason given" for r in present if not math.isfinite(r.expanded_uncertainty))
    reason = "; ".join(f"not known for {count}: {why}" for why, count in unknown.most_common())
    largest = max(known, default=0.0) * scale.factor
    if largest > NOTHING * max((abs(r.value * scale.factor) for r in present), default=0.0):
        decimals = decimals_for(largest)
        return RowNumbers(scale, decimals, fixed(largest, decimals), reason)
    decimals = decimals_without_uncertainty(r.value * scale.factor for r in present)
    return RowNumbers(scale, decimals, "0" if known else "", reason)
