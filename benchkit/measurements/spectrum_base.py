"""What a kind asks of the spectrum analyser alone, and what it gets: whole traces, or the levels of stated lines."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["LevelBound", "SpectrumAsked", "SpectrumLine", "SpectrumStation", "SpectrumSweep", "SpectrumTrace", "sweep_s"]

# A filter of bandwidth B settles while it is swept over: span / B^2, times this. Common practice, no source.
SWEEP_FACTOR = 2.0


def sweep_s(span_hz: float, bandwidth_hz: float, reading_time_s: float) -> float:
    """How long a sweep takes: what the analyser is stated to take, or what its filter needs. [Hz, s]"""
    return max(reading_time_s, SWEEP_FACTOR * span_hz / bandwidth_hz**2)


@dataclass(frozen=True)
class SpectrumSweep:
    """
    One sweep. Every point shows the highest level of its interval, so that no line falls between two.

    Attributes:
        key: Where its keys stand in the measurement's block: "" or "search".
    """

    start_hz: float
    stop_hz: float
    bandwidth_hz: float
    points: int
    key: str = ""

    @property
    def step_hz(self) -> float:
        """From point to point. [Hz]"""
        return (self.stop_hz - self.start_hz) / (self.points - 1)


@dataclass(frozen=True)
class LevelBound:
    """
    A level at the device's output that a sweep must be able to see.

    Attributes:
        level_dbm: NaN: known only when the carrier is.
        key: Where it stands in the measurement's block.
    """

    start_hz: float
    stop_hz: float
    level_dbm: float
    key: str


@dataclass(frozen=True)
class SpectrumAsked:
    """
    What a kind asks of the spectrum analyser at each condition, for the proof and the estimate.

    Attributes:
        check_step_db: How much more attenuation whatever is judged is read with again. [dB]
        sweep, sweep_count: The search, and how often it is made; None: there is none.
        lines_hz: Every line that is read anywhere. [Hz]
        line_count: Readings of lines, those with more attenuation among them.
        bounds: What must be seen above the noise by `noise_margin_db`, and at the device's plane.
    """

    attenuation_db: float
    check_step_db: float | None
    sweep: SpectrumSweep | None
    sweep_count: int
    lines_hz: tuple[float, ...] = ()
    line_bandwidth_hz: float = 0.0
    line_count: int = 0
    bounds: tuple[LevelBound, ...] = ()
    noise_margin_db: float = 0.0


@dataclass(frozen=True)
class SpectrumTrace:
    """
    One trace, arrays of shape (points,). Beyond its path's table a level stays where it was read: `output_dbm` is NaN there.

    Attributes:
        analyser_dbm: At the analyser's connector, raw. [dBm]
        loss_db: Of the path from the device; NaN where its table does not say. [dB]
        output_dbm: At the device's output; NaN where the loss is, and outside the analyser's range. [dBm]
        u_path_db: Standard uncertainty of the loss. [dB]
        noise_dbm: By the analyser's rating, at its connector; NaN: not stated. [dBm]
        u_analyser_db: Standard uncertainty of a level. [dB]
        u_mismatch_db: Of what comes over the device's output plane; NaN: not stated. [dB]
    """

    time_s: float
    frequency_hz: Floats
    analyser_dbm: Floats
    loss_db: Floats
    output_dbm: Floats
    u_path_db: Floats
    noise_dbm: float
    u_analyser_db: float
    attenuation_db: float
    bandwidth_hz: float
    u_mismatch_db: float = math.nan


@dataclass(frozen=True)
class SpectrumLine:
    """
    The level of one line; levels as of SpectrumTrace.

    Attributes:
        noise_dbm: By the analyser's rating, at the device's output; NaN: not stated. [dBm]
        own_dbm: Second harmonic that the analyser itself makes of the first line, by its rating, likewise. [dBm]
    """

    name: str
    time_s: float
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
    u_mismatch_db: float = math.nan


class SpectrumStation(Protocol):
    """The spectrum analyser as wired to one channel. RF stays as it is; drain and gate are read while it sweeps, and checked."""

    @property
    def channel(self) -> str: ...

    def sweep(self, asked: SpectrumSweep, attenuation_db: float) -> tuple[dict[str, float], SpectrumTrace]:
        """
        One trace, and the point that goes with it as Station.read() gives it. [dB]

        Raises:
            LimitError: A reading is beyond a limit of the device or the bench.
            InstrumentError: The analyser takes another bandwidth than was asked for.
        """
        ...

    def lines(
        self, lines_hz: Mapping[str, float], bandwidth_hz: float, attenuation_db: float
    ) -> tuple[dict[str, float], tuple[SpectrumLine, ...]]:
        """Levels of lines, the carrier first, by name; otherwise as sweep(). [Hz, dB]"""
        ...

    def keep_evidence(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        """A row that is told to the record only if this ladder ends by an error; after the part is safe, not before."""
        ...
