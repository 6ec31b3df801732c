"""The level at every plane of one channel's RF chain, with every error at its worst. Pure arithmetic, no files."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchkit.envelope.interval import Interval
from benchkit.envelope.path_loss import PathLoss

__all__ = ["RfLevels", "RfTruths", "peak_of", "rf_levels", "through"]


@dataclass(frozen=True)
class RfTruths:
    """
    What is stated about the chain.

    Attributes:
        source_error: Accuracy, and on the upper side settling overshoot besides. [dB]
        input_saturation_dbm: Highest level that can leave the input path; None: it is passive.
        gain: The device's; only its upper end is known. [dB]
        saturation_dbm: The highest the device can give. [dBm]
        output_saturation_dbm: As of the input path, for the path to the meter.
    """

    source_error: Interval
    input_saturation_dbm: float | None
    gain: Interval
    saturation_dbm: float
    output_saturation_dbm: float | None


@dataclass(frozen=True)
class RfLevels:
    """All that the level may be. [dBm]"""

    asked: Interval
    leaves_source: Interval
    device_input: Interval
    device_output: Interval
    at_meter: Interval


def through(level: Interval, loss: Interval, saturation_dbm: float | None) -> Interval:
    """Behind a path: less its loss, and never more than it can give. [dBm]"""
    return (level - loss).capped(saturation_dbm)


def peak_of(first: Interval, second: Interval) -> Interval:
    """Peak of the envelope that two tones make: their voltages added, 6 dB above each of two equal ones. [dBm]"""

    def add(one: NDArray[np.float64], other: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(20.0 * np.log10(10.0 ** (one / 20.0) + 10.0 ** (other / 20.0)))

    return Interval.between(add(first.low, second.low), add(first.high, second.high))


def rf_levels(drive: Interval, input_loss: PathLoss, output_loss: PathLoss, truths: RfTruths) -> RfLevels:
    """
    Args:
        drive: Levels asked for at the device's input, lowest to highest of each ladder. [dBm]
        input_loss: Source to device.
        output_loss: Device to meter.
    """
    # The engine asks the source for the drive plus the table's loss ...
    asked = drive + input_loss.nominal
    leaves_source = asked + truths.source_error
    # ... so that at the device the table's loss is gone again, and what it may be wrong by is left. Written this way, and not
    # as leaves_source - loss, because intervals do not know that both hold the same table.
    device_input = (drive + truths.source_error - input_loss.error).capped(truths.input_saturation_dbm)
    device_output = (device_input + truths.gain).capped(truths.saturation_dbm)
    at_meter = through(device_output, output_loss.true, truths.output_saturation_dbm)
    return RfLevels(asked, leaves_source, device_input, device_output, at_meter)
