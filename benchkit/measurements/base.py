"""
What a kind of measurement is: its YAML block, its columns, how to measure a ladder, how to sum up, what to plot.

One file per kind, one line in the table (entry-point group `benchkit.measurements`). The engine knows this class only.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Generator, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Protocol

from pydantic import Field

from benchkit.files.types import FileModel
from benchkit.results.figure import Figure
from benchkit.results.result import Parameter, Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Column", "Ladder", "MeasurementBlock", "Reading", "Station"]


@dataclass(frozen=True)
class Column:
    """One column of the record's points. `dtype` is "f8", "i8" or "S<n>"."""

    name: str
    units: str
    long_name: str
    dtype: str = "f8"
    plane: str = ""


@dataclass(frozen=True)
class Ladder:
    """
    One drive ladder: one frequency, ascending levels at the device's input plane; measured or repeated whole.

    Attributes:
        index: Position within the measurement, from 0.
        frequency_hz: Carrier.
        levels_dbm: Ascending, at the device input. [dBm]; empty: measured without drive
    """

    index: int
    frequency_hz: float
    levels_dbm: tuple[float, ...]


Reading = dict[str, float]
"""One point: column name to value. Absent columns are stored as NaN."""


class Station(Protocol):
    """What the engine offers a kind: the bench as wired for the present condition, every reading checked."""

    def tune(self, frequency_hz: float) -> None:
        """Set carrier and correction frequencies, RF at the lowest level asked for so far or off. [Hz]"""
        ...

    def drive(self, level_dbm: float) -> None:
        """Set the level at the device's input, RF on, and let it settle. [dBm]"""
        ...

    def rest(self) -> None:
        """RF off."""
        ...

    def read(self) -> Reading:
        """
        Arm every instrument, collect every instrument, correct to the device's planes and check every limit.

        Raises:
            LimitError: A reading is beyond a limit of the device or the bench.
        """
        ...


class MeasurementBlock(FileModel, ABC):
    """The YAML block common to all kinds, and the promise a kind keeps."""

    kind: str
    name: str = Field(default="", description="What this measurement is called; default: its kind")

    parameters: ClassVar[tuple[Parameter, ...]] = ()
    """Results this kind adds to the table of PARAMETERS."""

    columns: ClassVar[tuple[Column, ...]] = ()
    """Columns this kind adds to the common ones."""

    needs_drive: ClassVar[bool] = True

    @property
    def title(self) -> str:
        return self.name or self.kind

    @abstractmethod
    def ladders(self) -> Iterator[Ladder]:
        """Every ladder in the order it is measured; walked lazily."""

    @abstractmethod
    def ladder_count(self) -> int: ...

    @abstractmethod
    def point_count(self) -> int:
        """Points when no ladder stops early."""

    @abstractmethod
    def frequency_span_hz(self) -> tuple[float, float] | None:
        """Lowest and highest frequency asked for; None when nothing is driven. [Hz]"""

    @abstractmethod
    def drive_span_dbm(self) -> tuple[float, float] | None:
        """Lowest and highest level asked for at the device's input; None when nothing is driven. [dBm]"""

    @abstractmethod
    def measure(self, ladder: Ladder, station: Station) -> Generator[Reading, None, str]:
        """
        Measure one ladder, a point at a time; ends early where the block says so.

        Returns:
            Why it ended early; "" when it went to its end.
        """

    @abstractmethod
    def summarise(self, points: pd.DataFrame) -> list[Result]:
        """Sum up the finished ladders of this measurement. Pure."""

    @abstractmethod
    def figures(self, points: pd.DataFrame, results: list[Result]) -> list[Figure]:
        """What to plot. Pure."""

    def notes(self) -> Mapping[str, str]:
        """Conventions that the report states beside this measurement's numbers."""
        return {}
