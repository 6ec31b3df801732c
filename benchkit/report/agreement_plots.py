"""
Two records held against each other, drawn: each parameter of both in one frame, and first less second between its limits.

Over frequency where a parameter has several; else over temperature where it has several; a parameter with one value has no plot.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from benchkit.campaign.compare import Comparison, Row
from benchkit.report.curves import where_text
from benchkit.report.digits import Scale, difference_unit, scale_for
from benchkit.report.drawing import ArrayPool, Drawing, draw
from benchkit.report.style import Series, Style
from benchkit.results.figure import Axis, Figure, Trace
from benchkit.results.result import Parameter, ResultCondition

__all__ = ["Overlay", "overlays_of"]

Floats = NDArray[np.float64]
LIMITS = "limits of agreement: ± U of the difference"


@dataclass(frozen=True)
class _Axis:
    """What a parameter is drawn over."""

    label: str
    field: str
    factor: float

    def of(self, rows: Sequence[Row]) -> Floats:
        return np.array([getattr(row.condition, self.field) * self.factor for row in rows])


FREQUENCY = _Axis("Frequency (GHz)", "frequency_hz", 1e-9)
TEMPERATURE = _Axis("Temperature (°C)", "temperature_degc", 1.0)


def overlays_of(
    comparison: Comparison,
    parameters: Mapping[str, Parameter],
    style: Style,
    pool: ArrayPool,
    note: str,
) -> list[Overlay]:
    """
    Every parameter that can be drawn, the one with the largest |En| first.

    Args:
        style: Of the two records in their order; with one name only, the second is a table: dashed, as all that is imported.
        note: That it is simulated; "" when it is not.
    """
    groups: dict[tuple[str, str, str, str], list[Row]] = {}
    # Rows come worst first, and so do their parameters.
    for row in comparison.rows:
        groups.setdefault((row.parameter, row.qualifier, row.unit, row.plane), []).append(row)
    found = []
    for place, rows in enumerate(groups.values()):
        axis = next((axis for axis in (FREQUENCY, TEMPERATURE) if _curves(rows, axis)), None)
        if axis is not None:
            known = parameters.get(rows[0].parameter)
            label = ", ".join(filter(None, [known.label if known else rows[0].parameter, rows[0].qualifier]))
            scale = scale_for(rows[0].unit, [value for row in rows for value in (row.first, row.second)])
            found.append(Overlay(f"agreement-{place}", label, axis, scale, _curves(rows, axis), style, pool, note))
    return found


Curves = dict[ResultCondition, list[Row]]


def _curves(rows: Sequence[Row], axis: _Axis) -> Curves:
    """By condition, in the axis' order; those with one value only are not drawn. No curve: empty."""
    found: Curves = {}
    for row in rows:
        if getattr(row.condition, axis.field) is not None:
            found.setdefault(replace(row.condition, **{axis.field: None}), []).append(row)
    return {
        condition: sorted(of_condition, key=lambda row: float(getattr(row.condition, axis.field)))
        for condition, of_condition in sorted(found.items(), key=lambda item: _order(item[0]))
        if len(of_condition) > 1
    }


def _order(condition: ResultCondition) -> tuple[float, str, float]:
    """Cold before hot."""
    degc, supply_v = condition.temperature_degc, condition.supply_voltage_v
    return -math.inf if degc is None else degc, condition.channel or "", -math.inf if supply_v is None else supply_v


@dataclass(frozen=True)
class Overlay:
    """One parameter of both; drawn when asked for."""

    key: str
    label: str
    axis: _Axis
    scale: Scale
    curves: Curves
    style: Style
    pool: ArrayPool
    note: str

    def both(self) -> Drawing:
        """First and second in one frame."""
        figure = Figure(self.key, f"{self.label}: both", Axis(self.axis.label), Axis(f"{self.label} ({self.scale.unit})"))
        return draw(figure, {"": list(self._both())}, self.style, self.pool, note=self.note)

    def _both(self) -> Iterator[Series]:
        records = self.style.records
        for condition, rows in self.curves.items():
            x = self.axis.of(rows)
            for place, values in enumerate(([row.first for row in rows], [row.second for row in rows])):
                trace = self._trace(where_text(condition), condition, x, np.array(values))
                if place < len(records):
                    yield Series(trace, records[place])
                else:
                    yield Series(replace(trace, name=f"second: {trace.name}", mode="lines"), "", 0)

    def difference(self) -> Drawing:
        """First less second, between plus and minus its U; each condition has its own limits, so one at a time."""
        unit = difference_unit(self.scale.unit)
        title, up = f"{self.label}: first less second", f"First less second ({unit})"
        figure = Figure(f"{self.key}-difference", title, Axis(self.axis.label), Axis(up), choice_label="Condition")
        series: dict[str, list[Series]] = {}
        for condition, rows in self.curves.items():
            x, expanded = self.axis.of(rows), np.array([row.difference_expanded for row in rows])
            trace = self._trace("first less second", condition, x, np.array([row.difference for row in rows]))
            gap = [math.nan]
            limits = np.concatenate([expanded, gap, -expanded]) * self.scale.factor
            both_sides = Trace(LIMITS, np.concatenate([x, gap, x]), limits, mode="lines")
            series[where_text(condition)] = [Series(trace, ""), Series(both_sides, "")]
        if len(series) == 1:
            series = {"": next(iter(series.values()))}
        # A difference belongs to both records: no mark tells one.
        return draw(figure, series, replace(self.style, records=("",)), self.pool, note=self.note)

    def _trace(self, name: str, condition: ResultCondition, x: Floats, values: Floats) -> Trace:
        return Trace(name, x, values * self.scale.factor, condition.temperature_degc, condition.channel)
