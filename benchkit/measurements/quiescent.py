"""Quiescent bias: what the device draws, biased and not driven."""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np
from pydantic import Field

from benchkit.measurements.base import Ladder, MeasurementBlock, Reading, Station
from benchkit.measurements.grouping import condition_of, each_ladder
from benchkit.results.figure import Axis, Figure, Trace
from benchkit.results.result import PARAMETERS, Result
from benchkit.results.uncertainty import Budget, Contribution

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Quiescent"]


class Quiescent(MeasurementBlock):
    """Drain current and gate voltage without drive, at each condition; repeated readings are averaged."""

    kind: Literal["quiescent"]
    readings: int = Field(default=5, ge=1, le=1000, description="How many readings are averaged")

    needs: ClassVar[frozenset[str]] = frozenset()

    def ladders(self) -> Iterator[Ladder]:
        yield Ladder(index=0, frequency_hz=math.nan, levels_dbm=())

    def ladder_count(self) -> int:
        return 1

    def point_count(self) -> int:
        return self.readings

    def frequency_span_hz(self) -> tuple[float, float] | None:
        return None

    def drive_span_dbm(self) -> tuple[float, float] | None:
        return None

    def measure(self, ladder: Ladder, station: Station) -> Generator[Reading, None, str]:
        station.rest()
        for _ in range(self.readings):
            yield station.read()
        return ""

    def summarise(self, points: pd.DataFrame) -> list[Result]:
        results = []
        for rows in each_ladder(points):
            condition = condition_of(rows, with_frequency=False)
            for name, what, column, uncertainty in (
                ("quiescent_current", "drain current", "drain_current_a", "u_drain_current_a"),
                ("gate_voltage", "gate voltage", "gate_voltage_v", "u_gate_voltage_v"),
            ):
                values = rows[column].to_numpy(dtype=float)
                spread = float(np.std(values, ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else 0.0
                # JCGM 100, 4.3 and 5.1: the instrument's limit of error is common to all readings, their scatter is not.
                budget = Budget((
                    Contribution(f"supply's {what} reading", float(rows[uncertainty].max()), distribution="rectangular"),
                    Contribution("scatter of the readings", spread, 1.0, max(1, len(values) - 1)),
                ))  # fmt: skip
                results.append(
                    Result(
                        parameter=name,
                        value=float(np.mean(values)),
                        unit=PARAMETERS[name].unit,
                        plane=PARAMETERS[name].plane,
                        condition=condition,
                        expanded_uncertainty=budget.expanded,
                        convention=f"mean of {len(values)} readings without drive",
                        measurement=self.title,
                        budget=budget.contributions,
                    )
                )
        return results

    def figures(self, points: pd.DataFrame, results: list[Result]) -> list[Figure]:
        traces = []
        channels = sorted({r.condition.channel or "" for r in results})
        for channel in channels:
            rows = sorted(
                (r.condition.temperature_degc, r.value)
                for r in results
                if r.parameter == "gate_voltage" and r.condition.channel == channel and r.condition.temperature_degc is not None
            )
            if rows:
                x, y = np.array(rows, dtype=float).T
                traces.append(Trace(name=f"channel {channel}", x=x, y=y, channel=channel))
        if not traces:
            return []
        return [
            Figure(
                key=f"{self.title}-gate-voltage",
                title="Gate voltage at quiescent current over temperature",
                x=Axis("Chamber temperature (°C)"),
                y=Axis("Gate voltage at gate pin (V)"),
                traces=tuple(traces),
            )
        ]


