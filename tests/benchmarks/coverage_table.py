"""How many numbers of each parameter have their truth inside U, with the interval that so many draws leave the share."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from scipy.stats import binomtest

from tests.benchmarks.coverage_draw import Inside

__all__ = ["PROMISE", "Coverage", "ParameterCoverage", "summed_up", "table"]

PROMISE = 0.93


@dataclass(frozen=True)
class ParameterCoverage:
    """
    Attributes:
        kind: Of measurement; "" of all.
        low, high: 95 % interval of the share by Clopper and Pearson, as if every number were drawn by itself; those of one draw
            are not, so that the interval is somewhat too narrow.
        largest, rms, mean: Of error / U.
    """

    kind: str
    name: str
    count: int
    inside: int
    low: float
    high: float
    largest: float
    rms: float
    mean: float

    @property
    def share(self) -> float:
        return self.inside / self.count if self.count else math.nan


@dataclass(frozen=True)
class Coverage:
    rows: tuple[ParameterCoverage, ...]
    overall: ParameterCoverage

    @property
    def share(self) -> float:
        return self.overall.share


def summed_up(numbers: Iterable[Inside]) -> Coverage:
    """By kind and name, in the order of their first."""
    by_name: dict[tuple[str, str], list[Inside]] = defaultdict(list)
    for number in numbers:
        by_name[number.kind, number.name].append(number)
    rows = tuple(_row(kind, name, own) for (kind, name), own in by_name.items())
    return Coverage(rows, _row("", "overall", [one for own in by_name.values() for one in own]))


def _row(kind: str, name: str, own: list[Inside]) -> ParameterCoverage:
    # Without an uncertainty nothing is inside.
    ratios = [(one.value - one.true) / one.expanded if one.expanded > 0 else math.inf for one in own]
    inside = sum(abs(ratio) <= 1 for ratio in ratios)
    interval = binomtest(inside, len(own)).proportion_ci(0.95, method="exact") if own else None
    return ParameterCoverage(
        kind, name, len(own), inside,
        math.nan if interval is None else float(interval.low), math.nan if interval is None else float(interval.high),
        max(map(abs, ratios), default=math.nan),
        math.sqrt(math.fsum(ratio * ratio for ratio in ratios) / len(own)) if own else math.nan,
        math.fsum(ratios) / len(own) if own else math.nan,
    )  # fmt: skip


def table(found: Coverage) -> Iterator[str]:
    """Lines of it for a terminal."""
    columns = f"{'numbers':>7s} {'inside U':>8s} {'interval':>13s} {'largest':>8s} {'rms':>6s} {'mean':>6s}"
    yield f"{'parameter':46s} {columns}   error / U"
    for one in (*found.rows, found.overall):
        numbers = f"{one.count:7d} {100 * one.share:7.1f}% {100 * one.low:6.1f}-{100 * one.high:5.1f}%"
        line = f"{one.name:46s} {numbers} {one.largest:8.2f} {one.rms:6.2f} {one.mean:6.2f}"
        yield line if one.kind else f"{line}   promised {100 * PROMISE:g} %"
