"""
A thru in place of the device, unbiased: by the bench file's tables its gain must be 0 dB. A path that has changed, a table of
another bench, a source or meter beyond its accuracy is found here, and not in the part's numbers.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import pairwise
from typing import TYPE_CHECKING, ClassVar, Literal

from pydantic import Field

from benchkit.errors import ConditionError
from benchkit.files.types import Dbm, Decibels, HertzAxis
from benchkit.measurements.before_block import BeforeBlock
from benchkit.measurements.path_figures import thru_figure
from benchkit.measurements.path_rows import (
    LEVELS,
    PATH_BUDGETS,
    VERIFICATION,
    budgets_of,
    condition_of,
    driven_by,
    read_series,
    store_budget,
)
from benchkit.measurements.power_before import DEVICE, THRU, Feed, PathRole, PowerBefore, PowerStation, Step
from benchkit.quantities.format import format_quantity
from benchkit.results.figure import Figure
from benchkit.results.path_budget import pooled, thru_gain
from benchkit.results.result import Parameter, Result
from benchkit.results.uncertainty import Budget

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Verification"]

_THRU = "thru"
_PATHS: dict[Feed, PathRole] = {"source": "input", "second source": "second input"}


class Verification(BeforeBlock):
    """Gain of a thru over frequency, of each channel, once, before the first condition. Out of its limit it ends the run."""

    kind: Literal["verification"]
    frequency_hz: HertzAxis = Field(alias="frequency", description="Ascending")
    level_dbm: Dbm = Field(alias="level", description="At the device's input plane")
    limit_db: Decibels | None = Field(
        alias="limit", default=None, gt=0, description="Furthest from 0 dB; default: the expanded uncertainty at each frequency"
    )
    second_source: bool = Field(default=False, description="Once more with the second source, through its own path")
    repeats: int = Field(default=3, ge=2, le=100, description="Walks over all frequencies, the source set anew in each")
    averages: int = Field(default=1, ge=1, le=1024)

    needs: ClassVar[frozenset[str]] = frozenset({"power before"})
    before_again: ClassVar[bool] = True
    streams: ClassVar = (LEVELS, VERIFICATION, PATH_BUDGETS)
    parameters: ClassVar[tuple[Parameter, ...]] = (
        Parameter("thru_gain", "Gain of a thru in place of the device", "dB", "device input to device output"),
    )

    def frequency_span_hz(self) -> tuple[float, float] | None:
        return self.frequency_hz.minimum, self.frequency_hz.maximum

    def drive_span_dbm(self) -> tuple[float, float] | None:
        return self.level_dbm, self.level_dbm

    def power_before(self) -> PowerBefore:
        steps, paths = tuple(Step(THRU, feed) for feed in self._feeds), (*(_PATHS[feed] for feed in self._feeds), "output")
        return PowerBefore(
            self.frequency_hz, (self.level_dbm,), "device", steps, self.repeats, self.averages, zeroes=True, paths=paths
        )

    def mistakes(self, files: Mapping[str, bytes] | None) -> Iterator[tuple[str, str]]:
        if any(a >= b for a, b in pairwise(self.frequency_hz)):
            yield "frequency", "does not ascend; lowest first"

    def before_power(self, station: PowerStation) -> None:
        """
        Raises:
            ConditionError: At some frequency the gain is further from 0 dB than its limit, or there is no reading.
        """
        station.connect(THRU)
        station.zero()
        for feed in self._feeds:
            self._look(station, feed)
        station.connect(DEVICE)

    @property
    def _feeds(self) -> tuple[Feed, ...]:
        return ("source", "second source") if self.second_source else ("source",)

    def _look(self, station: PowerStation, feed: Feed) -> None:
        """With one source on, by the tables of its path and of the meter's."""
        frequencies, accuracy = list(self.frequency_hz), station.accuracy_of(feed)
        input_path, output_path = station.path(_PATHS[feed]), station.path("output")
        set_dbm, read_dbm = read_series(station, Step(THRU, feed), frequencies, [self.level_dbm], self.repeats)
        series, made_s = pooled(read_dbm), station.now_s()
        wrong: list[tuple[float, float, float]] = []
        for row, hz in enumerate(frequencies):
            input_db, output_db = input_path.loss_db(hz), output_path.loss_db(hz)
            source_dbm, meter_dbm = float(set_dbm[0, row, 0]), float(series.mean_dbm[row, 0])
            lines = thru_gain(accuracy, input_path.uncertainty_db(hz), output_path.uncertainty_db(hz), series, (row, 0))
            gain_db = meter_dbm + output_db - (source_dbm - input_db)
            expanded_db = Budget(lines).expanded
            limit_db = expanded_db if self.limit_db is None else self.limit_db
            # `not ... <=` refuses NaN too.
            is_wrong = not abs(gain_db) <= limit_db
            if is_wrong:
                wrong.append((gain_db, limit_db, hz))
            store_budget(station, driven_by(feed).get("driven_by", _THRU), hz, lines)
            station.store(
                VERIFICATION.name,
                {
                    "time_s": made_s,
                    **driven_by(feed),
                    "frequency_hz": hz,
                    "drive_set_dbm": self.level_dbm,
                    "source_level_dbm": source_dbm,
                    "meter_dbm": meter_dbm,
                    "input_loss_db": input_db,
                    "output_loss_db": output_db,
                    "gain_db": gain_db,
                    "expanded_uncertainty_db": expanded_db,
                    "limit_db": limit_db,
                    "is_within": int(not is_wrong),
                },
            )
        where = f"{self.title}, channel {station.channel}"
        if wrong:
            raise ConditionError(self._says(station, feed, where, wrong, len(frequencies)))
        by = f", driven by the {feed}," if self.second_source else ""
        station.note("verified", f"{where}: gain of a thru{by} within its limit at {len(frequencies)} frequencies")

    def _says(
        self, station: PowerStation, feed: Feed, where: str, wrong: list[tuple[float, float, float]], count: int
    ) -> str:
        gain_db, limit_db, hz = max(wrong, key=lambda one: abs(one[0]) - one[1])
        basis = "its expanded uncertainty" if self.limit_db is None else "the stated limit"
        excess = abs(gain_db) - limit_db
        input_path, output_path = station.path(_PATHS[feed]), station.path("output")
        side = "loses more than the tables say" if gain_db < 0 else "loses less than the tables say"
        return (
            f"{where}: a thru has {gain_db:+.2f} dB at {format_quantity(hz, 'Hz', 9)} instead of 0 dB, {excess:.2f} dB beyond "
            f"{basis}, {limit_db:.2f} dB (out at {len(wrong)} of {count} frequencies): the way {side}. One of paths "
            f"{input_path.name} ({input_path.source}) and {output_path.name} "
            f"({output_path.source}), the level of {station.source_of(feed)} or {station.meter} is not as stated. Is it a thru, "
            "are connectors clean and tight, is the sensor with its adapter at its own place? Else measure the paths anew (kind: "
            "path_loss). Nothing was biased, and the thru is still connected"
        )

    def stream_rows(self, stream: str) -> int:
        # Of each channel, once; a plan has a condition for each channel at least.
        rows = len(self._feeds) * len(self.frequency_hz)
        return {LEVELS.name: self.power_before().reading_count, PATH_BUDGETS.name: 12 * rows}.get(stream, rows)

    def summarise_record(self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame]) -> list[Result]:
        budgets, found = budgets_of(streams), []
        for row in streams[VERIFICATION.name].to_dict("records"):
            # Records of before the second source was looked at have no such column.
            condition, qualifier = condition_of(row), str(row.get("driven_by", ""))
            found.append(
                Result(
                    parameter="thru_gain",
                    value=float(row["gain_db"]),
                    unit="dB",
                    plane="device input to device output",
                    condition=condition,
                    qualifier=qualifier,
                    expanded_uncertainty=float(row["expanded_uncertainty_db"]),
                    convention=f"thru in place of the device at {self.level_dbm:g} dBm, by the tables of the bench file; 0 dB is "
                    "right",
                    found="" if row["is_within"] else f"beyond its limit, {row['limit_db']:.2f} dB",
                    measurement=self.title,
                    budget=budgets.get((qualifier or _THRU, condition.channel or "", condition.frequency_hz or 0.0), ()),
                )
            )
        return found

    def figures(self, points: pd.DataFrame, results: list[Result]) -> list[Figure]:
        return thru_figure(self.title, [one for one in results if one.parameter == "thru_gain"])

    def figures_record(self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame], results: list[Result]) -> list[Figure]:
        return self.figures(points, results)

    def notes(self) -> dict[str, str]:
        basis = "its expanded uncertainty at each frequency" if self.limit_db is None else f"{self.limit_db:g} dB"
        return {"verification": f"before the first condition, unbiased, thru in place of the device: 0 dB within {basis}"}
