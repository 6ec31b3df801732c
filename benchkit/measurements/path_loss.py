"""
A channel's paths measured with the bench's own power meter, part unpowered and taken off: its sensor at the device's input plane
tells source to plane, of both sources; a thru in place of the device, with the sensor at the analyser's cable or back at its own
place, tells plane to analyser and plane to meter.

What comes out is a table for each path, with its uncertainty; `benchkit export RECORD --to paths` writes them as a bench file's
`paths:` take them.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any, ClassVar, Literal

from pydantic import Field

from benchkit.files.types import DbmAxis, Decibels, HertzAxis
from benchkit.measurements.base import MeasurementBlock
from benchkit.measurements.before_block import BeforeBlock
from benchkit.measurements.path_adapter import AdapterFile, AdapterLoss, adapter_mistakes
from benchkit.measurements.path_figures import path_figures
from benchkit.measurements.path_rows import COMPRESSIONS, LEVELS, PATH_BUDGETS, PATHS, RISE, budgets_of, condition_of
from benchkit.measurements.path_steps import PLANES, steps_for
from benchkit.measurements.path_work import PathWork
from benchkit.measurements.power_before import PathRole, PowerBefore, PowerStation
from benchkit.results.figure import Figure
from benchkit.results.result import Parameter, Result
from benchkit.results.uncertainty import Contribution

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PathLossMeasurement"]


class PathLossMeasurement(BeforeBlock):
    """
    Source to device and device to power meter, and if asked for second source to device and device to analyser: of each channel,
    once, before the first condition.
    """

    kind: Literal["path_loss"]
    frequency_hz: HertzAxis = Field(alias="frequency", description="Ascending; rows of the tables")
    level_dbm: DbmAxis = Field(
        alias="level", description="At the source's connector, ascending; tables are of the lowest, more levels show compression"
    )
    paths: tuple[PathRole, ...] = Field(
        default=("input", "output"),
        min_length=1,
        description="Which, as a channel is wired: input (input.path), output (output.path, to the power meter), second input "
        "(input.second_path), analyser (output.analyser_path)",
    )
    reference: Literal["sensor", "setting"] = Field(
        description="What source to plane is measured against. sensor: the same sensor at the source's connector first, so that "
        "the errors of source and meter cancel; setting: the level set, the source's accuracy being part of the uncertainty"
    )
    repeats: int = Field(default=3, ge=2, le=100, description="Walks over all frequencies, the source set anew in each")
    averages: int = Field(default=1, ge=1, le=1024)
    adapter: AdapterLoss | AdapterFile | None = Field(
        default=None, description="Between the sensor and where it is put, anywhere but at its own place"
    )
    sensor_return_loss_db: Decibels | None = Field(
        alias="sensor_return_loss", default=None, gt=0, description="With its adapter, at its worst, for the mismatch"
    )
    source_return_loss_db: Decibels | None = Field(
        alias="source_return_loss", default=None, gt=0,
        description="At the source's connector, at its worst (of two sources the worse), for the mismatch",
    )
    analyser_return_loss_db: Decibels | None = Field(
        alias="analyser_return_loss", default=None, gt=0,
        description="Into the analyser's end of its cable, at its worst, for the mismatch with the sensor there",
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

    def frequency_span_hz(self) -> tuple[float, float]:
        return self.frequency_hz.minimum, self.frequency_hz.maximum

    def drive_span_dbm(self) -> tuple[float, float] | None:
        return None

    def power_before(self) -> PowerBefore:
        steps = steps_for(self.paths, against_sensor=self.reference == "sensor")
        return PowerBefore(
            self.frequency_hz, self.level_dbm, "source", steps, self.repeats, self.averages, zeroes=True, paths=self.paths
        )

    def files(self) -> Mapping[str, str]:
        return {"adapter.touchstone": self.adapter.touchstone} if isinstance(self.adapter, AdapterFile) else {}

    def doubts(self, others: Sequence[MeasurementBlock]) -> Iterator[str]:
        stated = {
            "sensor_return_loss": self.sensor_return_loss_db,
            "connector": self.connector_db,
            "source_return_loss": self.source_return_loss_db if self.reference == "sensor" else 0.0,
            "analyser_return_loss": self.analyser_return_loss_db if "analyser" in self.paths else 0.0,
        }
        missing = [key for key, value in stated.items() if value is None]
        if missing:
            yield f"the tables' uncertainty will lack what is not stated: {', '.join(missing)}"

    def mistakes(self, files: Mapping[str, bytes] | None) -> Iterator[tuple[str, str]]:
        for key, axis in (("frequency", self.frequency_hz), ("level", self.level_dbm)):
            if any(a >= b for a, b in pairwise(axis)):
                yield key, "does not ascend; lowest first"
        if len(self.frequency_hz) < 2:
            yield "frequency", "is one frequency; a table needs two at least"
        twice = [role for index, role in enumerate(self.paths) if role in self.paths[:index]]
        if twice:
            yield "paths", f"names {', '.join(dict.fromkeys(twice))} twice; each path is measured once"
        if isinstance(self.adapter, AdapterFile) and files is not None and self.adapter.touchstone in files:
            yield from adapter_mistakes(self.adapter, files[self.adapter.touchstone], self.frequency_span_hz())

    def before_power(self, station: PowerStation) -> None:
        """
        Raises:
            ConditionError: No reading where one is due, or one that the sensor can't have where it was asked for.
            InstrumentError: Something is on, or nobody is there to connect the sensor.
        """
        PathWork(self, station).carry_out()

    def stream_rows(self, stream: str) -> int:
        # Of each channel, once; a plan has a condition for each channel at least.
        rows = len(self.frequency_hz)
        tables, readings = len(self.paths) * rows, self.power_before().reading_count
        return {LEVELS.name: readings, PATHS.name: tables, PATH_BUDGETS.name: 20 * tables}.get(stream, tables)

    def summarise_record(self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame]) -> list[Result]:
        budgets = budgets_of(streams)
        found = [
            self._result("path_loss", str(row["path"]), "loss_db", str(row["how"]), row, budgets, "")
            for row in streams[PATHS.name].to_dict("records")
        ]
        return found + [
            self._result(
                "path_loss_rise", str(row["path"]), "rise_db",
                f"from {row['from_dbm']:g} dBm to {row['to_dbm']:g} dBm at the source", row, budgets, RISE,
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
            plane=str(row.get("planes") or PLANES["second input" if row.get("driven_by") else "input"]),
            condition=condition,
            qualifier=path,
            expanded_uncertainty=float(str(row["expanded_uncertainty_db"])),
            convention=how,
            measurement=self.title,
            budget=budgets.get(key, ()),
            note=str(row.get("doubt") or ""),
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
