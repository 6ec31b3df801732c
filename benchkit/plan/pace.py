"""What earlier records of a bench tell of how long things take there: the estimate is refined by it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from benchkit.measurements.base import MeasurementBlock
from benchkit.sequence.model import SoakSettings

__all__ = ["NO_PACE", "LadderPace", "Pace", "SoakPace"]

# A ramp that begins this near to where another began takes as long.
START_WITHIN_K = 2.0


@dataclass(frozen=True)
class LadderPace:
    """One measurement as it went: mean time of a ladder, early stops included. [s]"""

    block: MeasurementBlock
    ladder_s: float


@dataclass(frozen=True)
class SoakPace:
    """One change of temperature as it went, from the moment the chamber was sent to the end of the soak. [s]"""

    settings: SoakSettings
    start_degc: float
    target_degc: float
    time_s: float


@dataclass(frozen=True)
class Pace:
    """
    How long things took, over one or several records.

    Attributes:
        bias_s: Bias up and down of one condition, the mean of each record. [s]
        names: The records it was taken from.
    """

    ladders: tuple[LadderPace, ...] = ()
    soaks: tuple[SoakPace, ...] = ()
    bias_s: tuple[float, ...] = ()
    names: tuple[str, ...] = ()

    def ladder_s(self, block: MeasurementBlock) -> float:
        """Mean time of a ladder of the very same measurement; NaN: none is told of. [s]"""
        return _mean(one.ladder_s for one in self.ladders if one.block == block)

    def soak_s(self, settings: SoakSettings, start_degc: float, target_degc: float) -> float:
        """Mean time of the same change of temperature with the same criteria of a soak; NaN: none is told of. [s]"""
        return _mean(
            one.time_s
            for one in self.soaks
            if one.settings == settings
            and one.target_degc == target_degc
            and abs(one.start_degc - start_degc) <= START_WITHIN_K
        )

    def condition_s(self) -> float:
        """Mean of bias up and down; NaN: none is told of. [s]"""
        return _mean(self.bias_s)

    def __add__(self, other: Pace) -> Pace:
        return Pace(
            self.ladders + other.ladders, self.soaks + other.soaks, self.bias_s + other.bias_s, self.names + other.names
        )


NO_PACE = Pace()


def _mean(values: Iterable[float]) -> float:
    found = list(values)
    return sum(found) / len(found) if found else math.nan
