"""
A channel's paths measured with the bench's own power meter, part unpowered and taken off: its sensor at the device's input plane
tells source to plane, a thru in place of the device, with the sensor back at its own place, tells plane to meter.

What comes out is a table for each path, with its uncertainty; `benchkit export RECORD --to paths` writes them as a bench file's
`paths:` take them.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from benchkit.bench.loss_touchstone import read_touchstone
from benchkit.bench.paths import LossPath
from benchkit.errors import ConditionError, FileError
from benchkit.files.types import DbmAxis, Decibels, FileModel, FileName, HertzAxis
from benchkit.measurements.before_block import BeforeBlock
from benchkit.measurements.path_figures import path_figures
from benchkit.measurements.path_plausible import changed, implausible_at_source, implausible_loss
from benchkit.measurements.path_rows import (
    COMPRESSIONS,
    LEVELS,
    PATH_BUDGETS,
    PATHS,
    budgets_of,
    condition_of,
    read_series,
    store_budget,
)
from benchkit.measurements.power_before import DEVICE, SENSOR, SENSOR_AT_SOURCE, THRU, PowerBefore, PowerStation, Thing
from benchkit.quantities.format import format_quantity
from benchkit.results.figure import Figure
from benchkit.results.path_budget import SensorMatch, Series, device_to_meter, levels_apart, pooled, source_to_device
from benchkit.results.result import Parameter, Result
from benchkit.results.uncertainty import Budget, Contribution

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["AdapterFile", "AdapterLoss", "PathLossMeasurement"]


class AdapterLoss(FileModel):
    """An adapter between the sensor and where it is put."""

    loss_db: Decibels = Field(alias="loss", ge=0)
    uncertainty_db: Decibels = Field(alias="uncertainty", ge=0, description="Expanded, k = 2")


class AdapterFile(FileModel):
    """An adapter given as a two-port Touchstone file."""

    touchstone: FileName = Field(description="A two-port Touchstone file")
    parameter: Literal["S21", "S12"] = "S21"
    uncertainty_db: Decibels = Field(alias="uncertainty", ge=0, description="Expanded, k = 2, of its loss")


class PathLossMeasurement(BeforeBlock):
    """Source to device and device to power meter, of each channel, once, before the first condition."""

    kind: Literal["path_loss"]
    frequency_hz: HertzAxis = Field(alias="frequency", description="Ascending; rows of the tables")
    level_dbm: DbmAxis = Field(
        alias="level", description="At the source's connector, ascending; tables are of the lowest, more levels show compression"
    )
    reference: Literal["sensor", "setting"] = Field(
        description="What source to plane is measured against. sensor: the same sensor at the source's connector first, so that "
        "the errors of source and meter cancel; setting: the level set, the source's accuracy being part of the uncertainty"
    )
    repeats: int = Field(default=3, ge=2, le=100, description="Walks over all frequencies, the source set anew in each")
    averages: int = Field(default=1, ge=1, le=1024)
    adapter: AdapterLoss | AdapterFile | None = Field(default=None, description="Between the sensor and where it is put")
    sensor_return_loss_db: Decibels | None = Field(
        alias="sensor_return_loss", default=None, gt=0, description="With its adapter, at its worst, for the mismatch"
    )
    source_return_loss_db: Decibels | None = Field(
        alias="source_return_loss", default=None, gt=0, description="At the source's connector, at its worst, for the mismatch"
    )
    connector_db: Decibels | None = Field(
        alias="connector", default=None, ge=0, description="Limit of error through connecting something once"
    )

    needs: ClassVar[frozenset[str]] = frozenset({"power before"})
    streams: ClassVar = (LEVELS, PATHS, PATH_BUDGETS, COMPRESSIONS)
    parameters: ClassVar[tuple[Parameter, ...]] = (
        Parameter("path_loss", "Path loss", "dB", "ends of the path"),
        Parameter("path_loss_rise", "Path loss, rise from lowest to highest level", "dB", "ends of the path"),
    )

    def frequency_span_hz(self) -> tuple[float, float] | None:
        return self.frequency_hz.minimum, self.frequency_hz.maximum

    def drive_span_dbm(self) -> tuple[float, float] | None:
        return None

    def power_before(self) -> PowerBefore:
        first: tuple[Thing, ...] = (SENSOR_AT_SOURCE,) if self.reference == "sensor" else ()
        return PowerBefore(
            self.frequency_hz, self.level_dbm, "source", (*first, SENSOR, THRU), self.repeats, self.averages, zeroes=True
        )

    def files(self) -> Mapping[str, str]:
        return {"adapter.touchstone": self.adapter.touchstone} if isinstance(self.adapter, AdapterFile) else {}

    def mistakes(self, files: Mapping[str, bytes] | None) -> Iterator[tuple[str, str]]:
        for key, axis in (("frequency", self.frequency_hz), ("level", self.level_dbm)):
            if any(a >= b for a, b in pairwise(axis)):
                yield key, "does not ascend; lowest first"
        if len(self.frequency_hz) < 2:
            yield "frequency", "is one frequency; a table needs two at least"
        if not isinstance(self.adapter, AdapterFile) or files is None or self.adapter.touchstone not in files:
            return
        try:
            path = _adapter_path(self.adapter, files[self.adapter.touchstone])
        except FileError as error:
            for mistake in error.mistakes:
                yield "adapter.touchstone", f"{self.adapter.touchstone}: {mistake.message}"
            return
        low_hz, high_hz = self.frequency_hz.minimum, self.frequency_hz.maximum
        if not path.covers(low_hz, high_hz):
            yield (
                "adapter.touchstone",
                f"{self.adapter.touchstone} covers {format_quantity(path.frequency_min_hz, 'Hz', 9)} to "
                f"{format_quantity(path.frequency_max_hz, 'Hz', 9)}, and the paths are measured from "
                f"{format_quantity(low_hz, 'Hz', 9)} to {format_quantity(high_hz, 'Hz', 9)}; an adapter is never extrapolated: "
                "measure it further, or ask for less",
            )
        worst_hz = min(path.frequencies_hz, key=path.loss_db)
        if path.loss_db(worst_hz) < -self.adapter.uncertainty_db:
            yield (
                "adapter.touchstone",
                f"{self.adapter.touchstone} has gain, {-path.loss_db(worst_hz):.3g} dB at {format_quantity(worst_hz, 'Hz', 9)}; "
                "an adapter has none",
            )

    def before_power(self, station: PowerStation) -> None:
        """
        Raises:
            ConditionError: No reading where one is due, or one that the sensor can't have where it was asked for.
            InstrumentError: Something is on, or nobody is there to connect the sensor.
        """
        frequencies, levels = list(self.frequency_hz), list(self.level_dbm)
        where = f"{self.title}, channel {station.channel}"
        self._say_what_is_left_out(station, where)
        adapter = self._adapter_db(station, frequencies)
        series: dict[Thing, Series] = {}
        tables: dict[str, _Table] = {}
        for index, what in enumerate(self.power_before().connects):
            station.connect(what)
            if index == 0:
                station.zero()
            _, read_dbm = read_series(station, what, frequencies, levels, self.repeats)
            series[what] = pooled(read_dbm)
            wrong = self._wrong(station, what, series, tables, adapter)
            if wrong:
                raise ConditionError(f"{where}: {wrong} Nothing was biased, no table was made, and nothing is put back yet")
        station.connect(DEVICE)
        self._store_tables(station, tables, adapter)
        self._store_compression(station, series, where)
        for path in (station.input_path, station.output_path):
            loss_db, expanded_db = _columns(tables[path.name])
            if found := changed(loss_db, expanded_db, path, frequencies):
                station.note("path changed", f"{where}: {found}")
        station.note(
            "paths",
            f"{where}: {station.input_path.name} and {station.output_path.name} measured at {len(frequencies)} frequencies; "
            "the device is connected again"
        )  # fmt: skip

    def _wrong(
        self, station: PowerStation, what: Thing, series: Mapping[Thing, Series], tables: dict[str, _Table],
        adapter: list[tuple[float, float]],
    ) -> str:  # fmt: skip
        """What can't be so, if anything; losses that can are put into `tables`."""
        frequencies, match = list(self.frequency_hz), SensorMatch(self.sensor_return_loss_db, self.source_return_loss_db)
        accuracy, rows = station.accuracy, range(len(self.frequency_hz))
        if what == SENSOR_AT_SOURCE:
            read_dbm = series[what].mean_dbm[:, 0]
            taken_db = np.array([loss_db for loss_db, _ in adapter])
            return implausible_at_source(read_dbm, self.level_dbm[0], taken_db, accuracy, frequencies)
        path = station.input_path if what == SENSOR else station.output_path
        if what == SENSOR:
            table = [
                source_to_device(
                    accuracy, match, series[SENSOR], series.get(SENSOR_AT_SOURCE), adapter[row], self.level_dbm[0], (row, 0),
                    self.connector_db,
                )
                for row in rows
            ]  # fmt: skip
        else:
            table = [
                device_to_meter(accuracy, match, series[SENSOR], series[THRU], adapter[row], (row, 0), self.connector_db)
                for row in rows
            ]
        tables[path.name] = table
        has_amplifier = station.has_amplifier(path.name)
        return implausible_loss(*_columns(table), path, has_amplifier=has_amplifier, frequencies_hz=frequencies)

    def _say_what_is_left_out(self, station: PowerStation, where: str) -> None:
        accuracy = station.accuracy
        missing = {
            "measurements: sensor_return_loss": self.sensor_return_loss_db,
            "measurements: connector": self.connector_db,
            "wiring: input.mismatch": accuracy.input_return_loss_db,
            "wiring: output.mismatch": accuracy.output_return_loss_db,
            f"instruments.{station.meter}.zero": accuracy.zero_dbm,
        }
        if self.reference == "sensor":
            missing["measurements: source_return_loss"] = self.source_return_loss_db
        unstated = [key for key, value in missing.items() if value is None]
        if unstated:
            station.note("budget", f"{where}: not stated, and so not in the uncertainty: {', '.join(unstated)}")

    def _adapter_db(self, station: PowerStation, frequencies: list[float]) -> list[tuple[float, float]]:
        """Loss and its expanded uncertainty at each frequency. [dB]"""
        if self.adapter is None:
            return [(0.0, 0.0)] * len(frequencies)
        if isinstance(self.adapter, AdapterLoss):
            return [(self.adapter.loss_db, self.adapter.uncertainty_db)] * len(frequencies)
        path = _adapter_path(self.adapter, station.file(self.adapter.touchstone))
        return [(path.loss_db(hz), path.uncertainty_db(hz)) for hz in frequencies]

    def _store_tables(
        self, station: PowerStation, tables: Mapping[str, _Table], adapter: list[tuple[float, float]]
    ) -> None:
        has_source = self.reference == "sensor"
        made_s, set_dbm = station.now_s(), self.level_dbm[0]
        adapted = "" if self.adapter is None else "; adapter taken out"
        both = (
            (station.input_path.name, "source connector to device input", not has_source,
             "the same sensor at the source" if has_source else "the source's level setting"),
            (station.output_path.name, "device output to power meter", True, "the same sensor at the device's plane"),
        )  # fmt: skip
        for row, hz in enumerate(self.frequency_hz):
            for path, planes, takes_adapter, against in both:
                loss_db, lines = tables[path][row]
                store_budget(station, path, hz, lines)
                station.store(
                    PATHS.name,
                    {
                        "made_s": made_s,
                        "path": path,
                        "planes": planes,
                        "frequency_hz": hz,
                        "source_level_dbm": set_dbm,
                        "loss_db": loss_db,
                        "expanded_uncertainty_db": Budget(lines).expanded,
                        "adapter_db": adapter[row][0] if takes_adapter else 0.0,
                        "source": station.source,
                        "meter": station.meter,
                        "how": f"against {against}{adapted if takes_adapter else ''}; mean of {self.repeats}",
                    },
                )

    def _store_compression(self, station: PowerStation, series: Mapping[Thing, Series], where: str) -> None:
        levels = list(self.level_dbm)
        if len(levels) < 2:
            return
        worst: tuple[float, float, float] | None = None
        for row, hz in enumerate(self.frequency_hz):
            rise_db, lines = levels_apart(station.accuracy, series[SENSOR], row, levels)
            expanded_db = Budget(lines).expanded
            station.store(
                COMPRESSIONS.name,
                {
                    "path": station.input_path.name,
                    "frequency_hz": hz,
                    "from_dbm": levels[0],
                    "to_dbm": levels[-1],
                    "rise_db": rise_db,
                    "expanded_uncertainty_db": expanded_db,
                },
            )
            store_budget(station, _RISE + station.input_path.name, hz, lines)
            if abs(rise_db) > expanded_db and (worst is None or abs(rise_db) > abs(worst[0])):
                worst = rise_db, expanded_db, hz
        if worst is not None:
            station.note(
                "path compresses",
                f"{where}: {station.input_path.name} loses {worst[0]:.3g} dB more at {levels[-1]:g} dBm than at "
                f"{levels[0]:g} dBm (U {worst[1]:.2g} dB, worst at {format_quantity(worst[2], 'Hz', 9)}): its table holds at "
                f"{levels[0]:g} dBm only",
            )

    def stream_rows(self, stream: str) -> int:
        # Of each channel, once; a plan has a condition for each channel at least.
        rows = len(self.frequency_hz)
        asked = self.power_before()
        return {LEVELS.name: asked.reading_count, PATHS.name: 2 * rows, PATH_BUDGETS.name: 40 * rows}.get(stream, rows)

    def summarise_record(self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame]) -> list[Result]:
        budgets = budgets_of(streams)
        found = [
            self._result("path_loss", str(row["path"]), "loss_db", str(row["how"]), row, budgets, "")
            for row in streams[PATHS.name].to_dict("records")
        ]
        return found + [
            self._result(
                "path_loss_rise", str(row["path"]), "rise_db",
                f"from {row['from_dbm']:g} dBm to {row['to_dbm']:g} dBm at the source", row, budgets, _RISE,
            )
            for row in streams[COMPRESSIONS.name].to_dict("records")
        ]  # fmt: skip

    def _result(
        self, parameter: str, path: str, value: str, how: str, row: Mapping[Hashable, Any],
        budgets: Mapping[tuple[str, str, float], tuple[Contribution, ...]], prefix: str,
    ) -> Result:  # fmt: skip
        condition = condition_of(row)
        key = prefix + path, condition.channel or "", condition.frequency_hz or 0.0
        return Result(
            parameter=parameter,
            value=float(str(row[value])),
            unit="dB",
            plane=str(row.get("planes", "source connector to device input")),
            condition=condition,
            qualifier=path,
            expanded_uncertainty=float(str(row["expanded_uncertainty_db"])),
            convention=how,
            measurement=self.title,
            budget=budgets.get(key, ()),
        )

    def figures(self, points: pd.DataFrame, results: list[Result]) -> list[Figure]:
        return path_figures(self.title, results)

    def figures_record(self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame], results: list[Result]) -> list[Figure]:
        return self.figures(points, results)

    def notes(self) -> dict[str, str]:
        return {
            "paths": "measured with the power meter before the first condition, part unpowered and taken off; one table for each "
            "path, at the lowest level",
            "path uncertainty": "errors of the one meter that read both ends cancel but for its linearity; the source's level "
            + ("cancels too" if self.reference == "sensor" else "is in source to plane with its accuracy"),
        }


_RISE = "rise of "

_Table = Sequence[tuple[float, tuple[Contribution, ...]]]
"""Loss at each frequency, and its budget. [dB]"""


def _columns(table: _Table) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Losses and expanded uncertainties. [dB]"""
    return np.array([loss_db for loss_db, _ in table]), np.array([Budget(lines).expanded for _, lines in table])


def _adapter_path(adapter: AdapterFile, content: bytes) -> LossPath:
    frequencies, losses = read_touchstone(content, adapter.touchstone, adapter.parameter)
    return LossPath.table("adapter", frequencies, losses, (adapter.uncertainty_db,) * len(losses), adapter.touchstone)
