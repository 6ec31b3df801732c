"""What a kind asks of source and power meter before anything is biased, and what the engine offers it then: PowerStation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

if TYPE_CHECKING:
    from benchkit.bench.paths import LossPath
    from benchkit.results.path_lines import PowerAccuracy

__all__ = [
    "DEVICE",
    "SENSOR",
    "SENSOR_AT_ANALYSER",
    "SENSOR_AT_SECOND",
    "SENSOR_AT_SOURCE",
    "THRU",
    "Feed",
    "PathRole",
    "PowerBefore",
    "PowerStation",
    "Step",
    "Thing",
]

Thing = Literal["sensor at source", "sensor at second source", "sensor", "sensor at analyser", "thru", "device"]
"""
What hands connect: the power meter's sensor at the first or the second source's connector, or at the device's input plane; a thru
in place of the device, with the sensor at the analyser's end of its cable, or at its own place; the device again.
"""

SENSOR_AT_SOURCE: Thing = "sensor at source"
SENSOR_AT_SECOND: Thing = "sensor at second source"
SENSOR: Thing = "sensor"
SENSOR_AT_ANALYSER: Thing = "sensor at analyser"
THRU: Thing = "thru"
DEVICE: Thing = "device"

Feed = Literal["source", "second source"]
"""Which of a channel's sources is on, by its key in the wiring."""

PathRole = Literal["input", "output", "second input", "analyser"]
"""
Source to device, device to power meter, second source to device, device to spectrum analyser: a channel's input.path,
output.path, input.second_path and output.analyser_path.
"""


@dataclass(frozen=True)
class Step:
    """One series of readings: with one thing connected, and one source on."""

    what: Thing
    feed: Feed = "source"


@dataclass(frozen=True)
class PowerBefore:
    """
    For the proof, the estimate and the protections.

    Attributes:
        frequencies_hz: Ascending. [Hz]
        levels_dbm: Ascending; at the plane that `plane` names. [dBm]
        plane: "source": its connector, whatever the path's table says; "device": its input, by the path's table.
        steps: In this order; the device again is not among them.
        readings: At each frequency and level, in each step.
        zeroes: Whether the sensor is zeroed first.
        paths: What is measured, or held against its table.
    """

    frequencies_hz: Sequence[float]
    levels_dbm: Sequence[float]
    plane: Literal["source", "device"]
    steps: tuple[Step, ...]
    readings: int
    averages: int
    zeroes: bool
    paths: tuple[PathRole, ...] = ("input", "output")

    @property
    def reading_count(self) -> int:
        """Of one channel."""
        return len(self.steps) * self.readings_in_step

    @property
    def readings_in_step(self) -> int:
        """Of each step."""
        return len(self.frequencies_hz) * len(self.levels_dbm) * self.readings

    def uses(self, feed: Feed) -> bool:
        """Whether that source is on in any step."""
        return any(step.feed == feed for step in self.steps)

    def connects(self, what: Thing) -> bool:
        """Whether that is connected at any time."""
        return any(step.what == what for step in self.steps)

    def source_levels_dbm(self, feed: Feed, input_path: LossPath) -> list[float]:
        """Every level asked of that source, its path's losses in. [dBm]"""
        if not self.uses(feed):
            return []
        if self.plane == "source":
            return list(self.levels_dbm)
        top_dbm = max(self.levels_dbm)
        return [top_dbm + input_path.loss_db(hz) for hz in self.frequencies_hz]


class PowerStation(Protocol):
    """Sources and power meter as wired to one channel, the part unpowered: nothing is energised but RF, for a reading."""

    @property
    def channel(self) -> str: ...

    @property
    def source(self) -> str:
        """Name of the RF source."""
        ...

    @property
    def meter(self) -> str:
        """Name of the power meter."""
        ...

    @property
    def input_path(self) -> LossPath:
        """Source to device as the bench file knows it."""
        ...

    @property
    def output_path(self) -> LossPath:
        """Device to power meter as the bench file knows it."""
        ...

    @property
    def accuracy(self) -> PowerAccuracy:
        """What the bench file says of source and meter, and of the paths' match."""
        ...

    def path(self, role: PathRole) -> LossPath:
        """
        As the bench file knows it.

        Raises:
            MisuseError: It is not wired.
        """
        ...

    def source_of(self, feed: Feed) -> str:
        """
        Name of that source.

        Raises:
            MisuseError: It is not wired, or not open.
        """
        ...

    def accuracy_of(self, feed: Feed) -> PowerAccuracy:
        """As `accuracy`, of that source and the meter."""
        ...

    def has_amplifier(self, path: str) -> bool:
        """Whether the bench file states a saturated output of a path: without one it is passive."""
        ...

    def connect(self, what: Thing) -> None:
        """
        Have something connected; RF and every supply output are read back off first. Returns when it is.

        Raises:
            InstrumentError: Something is on, or nobody is there to connect it.
        """
        ...

    def zero(self) -> None:
        """Zero the sensor where it is, RF read back off."""
        ...

    def read(self, frequency_hz: float, level_dbm: float, feed: Feed = "source") -> tuple[float, float]:
        """
        RF of one source on at one frequency and level (at the plane that was asked for), one reading, RF off and read back off.

        Returns:
            Level set at the source, and level read, raw. [dBm]

        Raises:
            LimitError: More than the sensor stands; or a level or frequency beyond a limit.
            ConditionError: No reading within the meter's range.
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

    def note(self, kind: str, text: str, severity: str = "info") -> None:
        """An event of the record. `severity`: info, warning or error."""
        ...

    def store(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        """One row into a stream of the kind's own; the engine adds where it belongs."""
        ...
