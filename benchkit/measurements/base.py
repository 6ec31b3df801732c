"""
What a kind of measurement is: its YAML block, its columns, how to measure a ladder, how to sum up, what to plot.

One file per kind, one line in the table (entry-point group `benchkit.measurements`). The engine knows this class only.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Literal, Protocol

from pydantic import Field

from benchkit.files.types import FileModel
from benchkit.measurements.spectrum_base import SpectrumAsked, SpectrumStation
from benchkit.results.figure import Figure
from benchkit.results.result import Parameter, Result

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd
    from numpy.typing import NDArray

    from benchkit.measurements.power_before import PowerBefore, PowerStation
    from benchkit.results.calibration import Calibration

__all__ = [
    "BlockStream",
    "Column",
    "Ladder",
    "MeasurementBlock",
    "NetworkAccuracy",
    "NetworkStation",
    "NetworkSweep",
    "Reading",
    "Station",
    "ToneLine",
    "ToneStation",
    "TwoTones",
]


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
        frequency_hz: Carrier; of two tones the middle between them.
        levels_dbm: Ascending, at the device's input, of two tones each. [dBm]; empty: measured without drive
        spacing_hz: From the lower tone to the upper one; 0: one carrier.
    """

    index: int
    frequency_hz: float
    levels_dbm: tuple[float, ...]
    spacing_hz: float = 0.0

    @property
    def tones_hz(self) -> tuple[float, ...]:
        """What is driven with: the carrier, or the lower and the upper tone, in the order of the sources. [Hz]"""
        if not self.spacing_hz:
            return (self.frequency_hz,)
        return self.frequency_hz - self.spacing_hz / 2, self.frequency_hz + self.spacing_hz / 2


@dataclass(frozen=True)
class BlockStream:
    """
    A stream of the record that a kind fills besides the points: long format, one row per frequency or line.

    Attributes:
        columns: Beside measurement, ladder, attempt, channel and condition, which the engine adds to every row.
    """

    name: str
    columns: tuple[Column, ...]


@dataclass(frozen=True)
class NetworkSweep:
    """
    What a kind asks of a network analyser, for the proof, the estimate and the protections.

    Attributes:
        frequencies_hz: Strictly ascending. [Hz]
        level_dbm: At the device's input; nowhere in the sweep more. [dBm]
        readings: Sweeps at each condition, averages counted as one.
        readings_before: Sweeps of each channel before the first condition; these make a calibration.
        wants_calibration: What is read is corrected by the plan's calibration.
        is_unpowered: The device is unpowered meanwhile.
    """

    frequencies_hz: Sequence[float]
    level_dbm: float
    if_bandwidth_hz: float
    averages: int
    readings: int = 1
    readings_before: int = 0
    wants_calibration: bool = False
    is_unpowered: bool = False


@dataclass(frozen=True)
class TwoTones:
    """
    What a kind asks of two sources on a combiner and the spectrum analyser, for the proof, the estimate and the protections.

    Attributes:
        frequencies_hz: Middle between the tones. [Hz]
        spacings_hz: From the lower to the upper tone. [Hz]
        levels_dbm: Of each tone at the device's input, ascending. [dBm]
        orders: Of the products that are read: 3, or 3 and 5.
        bandwidth_hz: Resolution bandwidth. [Hz]
        attenuation_db: At the analyser's input. [dB]
        check_step_db: How much more of it the products are read with again; None: they are not. [dB]
    """

    frequencies_hz: Sequence[float]
    spacings_hz: Sequence[float]
    levels_dbm: Sequence[float]
    orders: tuple[int, ...]
    bandwidth_hz: float
    attenuation_db: float
    check_step_db: float | None

    def lines_hz(self, frequency_hz: float, spacing_hz: float) -> dict[str, float]:
        """
        Every line that is read at one place of the plan, by name. [Hz]

        "noise" is where no product falls, half a spacing below the lower third-order one.
        """
        lower_hz, upper_hz = frequency_hz - spacing_hz / 2, frequency_hz + spacing_hz / 2
        lines = {"lower tone": lower_hz, "upper tone": upper_hz}
        for order in self.orders:
            away_hz = (order - 1) / 2 * spacing_hz
            lines[f"lower IM{order}"], lines[f"upper IM{order}"] = lower_hz - away_hz, upper_hz + away_hz
        return {**lines, "noise": lower_hz - 1.5 * spacing_hz}

    @property
    def sweeps(self) -> int:
        """Lines read for one point, those of the attenuator step among them."""
        lines = len(self.lines_hz(0.0, 1.0))
        return lines if self.check_step_db is None else 2 * lines


@dataclass(frozen=True)
class ToneLine:
    """
    One line as the spectrum analyser read it. NaN: the analyser gave no level, or a rating is not stated.

    Attributes:
        name: As TwoTones.lines_hz names it.
        analyser_dbm: At the analyser's connector, raw. [dBm]
        loss_db: Of the path from the device, as its table says. [dB]
        output_dbm: At the device's output; NaN too above the analyser's range. [dBm]
        noise_dbm, own_dbm: By the analyser's ratings, at the device's output: its noise in the resolution bandwidth, and its own
            third-order product of such tones. [dBm]
        u_path_db, u_analyser_db, u_relative_db: Standard uncertainties: the path's loss, the analyser's level, the difference
            of two levels at one setting. [dB]
        u_mismatch_db: Likewise: of what comes over the device's output plane; NaN: not stated. [dB]
    """

    name: str
    frequency_hz: float
    attenuation_db: float
    bandwidth_hz: float
    analyser_dbm: float
    loss_db: float
    output_dbm: float
    noise_dbm: float
    own_dbm: float
    u_path_db: float
    u_analyser_db: float
    u_relative_db: float
    u_mismatch_db: float = math.nan


@dataclass(frozen=True)
class NetworkAccuracy:
    """
    What a network analyser is said to be off by in one sweep besides what a calibration corrects; NaN: not stated.

    Attributes:
        trace_noise: Standard deviation of a raw ratio, relative to it. [1]
        noise_floor: Standard deviation of a raw ratio where nothing is. [1]
        linearity_db, drift_db: Limits of error of a ratio. [dB]
    """

    trace_noise: float = math.nan
    noise_floor: float = math.nan
    linearity_db: float = math.nan
    drift_db: float = math.nan


Reading = dict[str, float]
"""One point: column name to value. Absent columns are stored as NaN."""


class NetworkStation(Protocol):
    """The network analyser as wired to one channel."""

    @property
    def channel(self) -> str: ...

    def sweep(self, asked: NetworkSweep) -> NDArray[np.complex128]:
        """
        One reading, raw, shape (n, 2, 2). RF is off before and after, read back; routes are as they were.

        Raises:
            LimitError: A level or a frequency is beyond a limit, or a reading of the biased device is.
        """
        ...

    def accuracy(self, asked: NetworkSweep) -> NetworkAccuracy:
        """What the bench file says of such a sweep."""
        ...

    def connect(self, what: str) -> None:
        """
        Have a standard, or "device", connected; everything is off. Returns when it is.

        Raises:
            InstrumentError: Something is on, or nobody is there to connect it.
        """
        ...

    def now_s(self) -> float:
        """Seconds since 1970-01-01 UTC. [s]"""
        ...

    def file(self, name: str) -> bytes:
        """
        A file that the kind names (MeasurementBlock.files), as it is kept in the record.

        Raises:
            MisuseError: The sequence was loaded without its files.
        """
        ...

    def keep(self, calibration: Calibration) -> None:
        """The calibration of this channel from now on."""
        ...

    def calibration(self) -> Calibration | None:
        """What was kept last for this channel."""
        ...

    def note(self, kind: str, text: str) -> None:
        """An event of the record."""
        ...

    def store(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        """As Station.store."""
        ...


class ToneStation(Protocol):
    """Two sources on a combiner, and the spectrum analyser at the device's output, as wired to one channel."""

    def tune(self, frequency_hz: float, spacing_hz: float) -> None:
        """RF of both sources off, then both carriers and the analyser's settings. [Hz]"""
        ...

    def drive(self, level_dbm: float) -> None:
        """Set the level of each tone at the device's input, RF of both on, and let both settle. [dBm]"""
        ...

    def rest(self) -> None:
        """RF of both off, read back. The device stays biased."""
        ...

    def read(self) -> tuple[Reading, tuple[ToneLine, ...]]:
        """
        One point as Station.read() gives it, every line of it, and with a check step every line once more, more attenuated.

        `input_dbm` and `output_dbm` are those of both tones together, `drive_set_dbm` is that of each.

        Raises:
            LimitError: A reading is beyond a limit of the device or the bench.
        """
        ...


class Station(Protocol):
    """
    What the engine offers a kind: the bench as wired for the present condition, every reading checked. Where the device is
    measured unpowered it is read(), store() and network() alone.
    """

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

    def store(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        """One row into a stream of the kind's own (MeasurementBlock.streams); the engine adds ladder and condition."""
        ...

    def network(self) -> NetworkStation:
        """
        The network analyser as wired to this channel; RF off, the device stays biased, or unpowered.

        Raises:
            MisuseError: The kind does not say that it needs "network".
        """
        ...

    def tones(self, asked: TwoTones) -> ToneStation:
        """
        Both sources and the spectrum analyser as wired to this channel; RF off, the device stays biased.

        Raises:
            MisuseError: The kind does not say that it needs "tones".
        """
        ...

    def spectrum(self) -> SpectrumStation:
        """
        The spectrum analyser as wired to this channel; RF stays as it is.

        Raises:
            MisuseError: The kind does not say that it needs "spectrum".
        """
        ...


class MeasurementBlock(FileModel, ABC):
    """The YAML block common to all kinds, and the promise a kind keeps."""

    kind: str
    name: str = Field(default="", description="What this measurement is called; default: its kind")
    priority: int = Field(
        default=5, ge=1, le=9, description="What is dropped when time runs out (conditions.be_done_by): the lowest first"
    )
    on_failure: Literal["carry on", "skip condition", "stop"] = Field(
        default="carry on",
        description="When it fails alone (no number to be had, nothing wrong with bench or device): go on with the next ladder, "
        "with the next condition, or end the run. Trouble with the bench, or a limit, ends the run in any case",
    )

    parameters: ClassVar[tuple[Parameter, ...]] = ()
    """Results this kind adds to the table of PARAMETERS."""

    columns: ClassVar[tuple[Column, ...]] = ()
    """Columns this kind adds to the common ones."""

    needs: ClassVar[frozenset[str]] = frozenset({"power"})
    """
    What it uses besides supplies and voltmeters: "power" (source and power meter), "network" (network analyser), "tones" (both
    sources and the spectrum analyser), "spectrum" (spectrum analyser), "power before" (sources and power meter before anything
    is biased).
    """

    about_bench: ClassVar[bool] = False
    """Whether what it gives is of the bench and not of the device: a report then keeps it apart from the part's own figures."""

    streams: ClassVar[tuple[BlockStream, ...]] = ()
    """Streams of the record that this kind fills besides the points; kinds may share one."""

    @property
    def is_unpowered(self) -> bool:
        """
        Whether it measures the unpowered device: then it has a condition of its own, once at each temperature and channel, and
        its station reads supplies and network analyser alone.
        """
        return False

    @property
    def needs_drive(self) -> bool:
        """Whether it drives the device from the source and reads the power meter."""
        return "power" in self.needs

    @property
    def drives(self) -> bool:
        """Whether it drives the device from the bench's sources, one or both."""
        return not self.needs.isdisjoint({"power", "tones"})

    def two_tones(self) -> TwoTones | None:
        """What it asks of two sources and the spectrum analyser; None: it needs them not."""
        return None

    def network_sweep(self) -> NetworkSweep | None:
        """What it asks of the network analyser; None: it needs none."""
        return None

    def spectrum_asked(self) -> SpectrumAsked | None:
        """What it asks of the spectrum analyser alone; None: nothing."""
        return None

    def power_before(self) -> PowerBefore | None:
        """What it asks of source and power meter before anything is biased, at each channel; None: nothing."""
        return None

    before_again: ClassVar[bool] = False
    """Whether what it does with them is done again when a run goes on and anything is left; else once done is done."""

    before_drive: ClassVar[bool] = False
    """Whether it looks at the undriven device for something that forbids to drive it: then it stands before all that do."""

    def files(self) -> Mapping[str, str]:
        """Files that it names, relative to the sequence's folder: by the key that names each, such as "deembed.input"."""
        return {}

    def mistakes(self, files: Mapping[str, bytes] | None) -> Iterator[tuple[str, str]]:
        """
        What does not hold between its own keys, or in its files: key within the block, and what is wrong.

        Args:
            files: Contents by name, those that could be read; None: they are not at hand, and not looked at.
        """
        yield from ()

    def not_stated(self) -> Sequence[str]:
        """What the block could state of errors and does not, so that no budget has it: in words, with the keys."""
        return ()

    def doubts(self, others: Sequence[MeasurementBlock]) -> Iterator[str]:
        """
        What is no mistake, and will be missed after a night: a number that can't be had, a budget that lacks a part.

        Args:
            others: All of the sequence's measurements.
        """
        yield from ()

    def stream_rows(self, stream: str) -> int:
        """Rows that one condition adds to a stream of `streams`, about; the record makes room for them."""
        return 0

    def before(self, station: NetworkStation) -> None:
        """Called once for each channel before anything is biased, for a kind that needs "network"; a calibration is done here."""
        return

    def before_power(self, station: PowerStation) -> None:
        """Called once for each channel before anything is biased, for a kind whose power_before() asks for it."""
        return

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

    def drive_text(self) -> str:
        """What a data sheet's test conditions say of the levels besides their span, e.g. of what each is; "": nothing."""
        return ""

    @abstractmethod
    def measure(self, ladder: Ladder, station: Station) -> Generator[Reading, None, str]:
        """
        Measure one ladder, a point at a time; ends early where the block says so. It may be begun again from its start.

        Returns:
            Why it ended early; "" when it went to its end.

        Raises:
            MeasurementError: It can't give what it was asked for here, and that says nothing against bench or device.
        """

    def qualifiers(self, parameter: str) -> tuple[str, ...] | None:
        """
        Every qualifier that results of a parameter may have ("6 dB back-off"); None: it has none, or they are not known before.

        An expectation of another one would never be judged, and is a mistake in the sequence.
        """
        return None

    @abstractmethod
    def summarise(self, points: pd.DataFrame) -> list[Result]:
        """Sum up the finished ladders of this measurement. Pure."""

    @abstractmethod
    def figures(self, points: pd.DataFrame, results: list[Result]) -> list[Figure]:
        """What to plot. Pure."""

    def summarise_record(self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame]) -> list[Result]:
        """
        As summarise(), for a kind with streams of its own. Pure.

        Args:
            streams: By name, this measurement's rows of finished ladders; with what was stored before the first condition.
        """
        return self.summarise(points)

    uses_others: ClassVar[bool] = False
    """Whether its results follow from those of other measurements of the record too: summarise_after() is called then."""

    def summarise_after(
        self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame], others: Sequence[Result]
    ) -> list[Result]:
        """
        As summarise_record(), for a kind that `uses_others`. Pure.

        Args:
            others: What the measurements that do not came to, of the same record.
        """
        return self.summarise_record(points, streams)

    def figures_record(
        self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame], results: list[Result]
    ) -> list[Figure]:
        """As figures(), for a kind with streams of its own. Pure."""
        return self.figures(points, results)

    def notes(self) -> Mapping[str, str]:
        """Conventions that the report states beside this measurement's numbers."""
        return {}
