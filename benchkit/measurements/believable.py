"""
What no amplifier does along an ascending drive ladder tells of the bench: a source that has jumped, a path that has come loose, a
meter that repeats itself. The number that such a ladder gives looks like any other, so the ladder must not end as one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from benchkit.errors import LimitError
from benchkit.measurements.base import Reading

__all__ = ["Ascent"]

# Besides what the block allows per dB of drive: the meter's own noise and settling.
STEP_NOISE_DB = 0.3
# An amplifier's output may sag a little beyond saturation; it does not fall while its drive rises.
FALL_MAX_DB = 1.0
# Output that rose by more than this per dB of drive does not stand still, to the last digit, within the next step of drive.
RISING_DB_PER_DB = 0.5
STEP_MIN_DB = 0.3
# One missing number may be a stray reading; two in a row, and drive rises unwatched.
WITHOUT_NUMBER = 2


@dataclass
class Ascent:
    """
    One ladder as it is climbed: each reading held against those before.

    Attributes:
        title: The measurement's, for messages.
        gain_rise_max: Most that gain may rise per dB of drive. [dB/dB]
        gain_min_db: Least gain at the ladder's lowest levels; None: any. [dB]
        meter: What reads the output, for messages.
        inputs_dbm, outputs_dbm: Of the readings with a number, at the device's planes. [dBm]
    """

    title: str
    gain_rise_max: float
    gain_min_db: float | None = None
    meter: str = "power meter"
    inputs_dbm: list[float] = field(default_factory=list)
    outputs_dbm: list[float] = field(default_factory=list)
    _meter_dbm: list[float] = field(default_factory=list)
    _without_number: int = 0

    def add(self, reading: Reading) -> None:
        """
        Raises:
            LimitError: What no amplifier does.
        """
        if math.isnan(reading["output_meter_dbm"]):
            self._without_number += 1
            if self._without_number >= WITHOUT_NUMBER:
                at = f"{self.title}, at {reading['input_dbm']:g} dBm of drive"
                source = f"the {self.meter} gives no number, and without one the output is not watched; look at it and its input"
                raise LimitError(f"readings without a number, {at}", self._without_number, WITHOUT_NUMBER - 1, "in a row", source)
        else:
            self._without_number = 0
        if math.isnan(reading["output_dbm"]):
            return  # below the meter's range, as at the lowest levels
        self.inputs_dbm.append(reading["input_dbm"])
        self.outputs_dbm.append(reading["output_dbm"])
        self._meter_dbm.append(reading["output_meter_dbm"])
        self._check_gain(reading)
        self._check_step()
        self._check_repeat()

    def _check_gain(self, reading: Reading) -> None:
        """Only the first: later a device may compress as far as the block says."""
        if len(self.inputs_dbm) == 1 and self.gain_min_db is not None and reading["gain_db"] < self.gain_min_db:
            source = "measurements: gain_min; is a path loose, the device dead, or the channel another?"
            at = f"{self.title}, at {reading['input_dbm']:g} dBm of drive"
            raise LimitError(f"gain, {at}", reading["gain_db"], self.gain_min_db, "dB", source, "below")

    def _check_step(self) -> None:
        inputs, outputs = self.inputs_dbm, self.outputs_dbm
        if len(inputs) < 2 or not inputs[-1] > inputs[-2]:
            return
        step_db, rise_db = inputs[-1] - inputs[-2], outputs[-1] - outputs[-2]
        expansion_db = self.gain_rise_max * step_db + STEP_NOISE_DB
        if rise_db - step_db > expansion_db:
            source = "measurements: gain_rise_max; has the source's level jumped, or a path changed?"
            raise LimitError(f"rise of gain, {self._at()}", rise_db - step_db, expansion_db, "dB", source)
        if -rise_db > FALL_MAX_DB:
            source = "an amplifier's output does not fall while its drive rises; is a connector loose?"
            raise LimitError(f"fall of output, {self._at()}", -rise_db, FALL_MAX_DB, "dB", source)

    def _check_repeat(self) -> None:
        """A meter that hangs goes on answering with its last reading."""
        inputs, meter = self.inputs_dbm, self._meter_dbm
        if len(inputs) < 3 or meter[-1] != meter[-2]:
            return
        step_db, before_db = inputs[-1] - inputs[-2], inputs[-2] - inputs[-3]
        if step_db < STEP_MIN_DB or before_db < STEP_MIN_DB:
            return
        was_rising = (meter[-2] - meter[-3]) / before_db > RISING_DB_PER_DB
        # At the foot of a ladder nothing is saturated: there it may have hung from the first reading on.
        if was_rising or (len(meter) == 3 and meter[-2] == meter[-3]):
            source = f"the {self.meter} repeats its last reading; does it still measure?"
            what = f"rise of drive while the output stands still to the last digit, {self._at()}"
            raise LimitError(what, step_db, 0.0, "dB", source)

    def _at(self) -> str:
        return f"{self.title}, from {self.inputs_dbm[-2]:g} dBm to {self.inputs_dbm[-1]:g} dBm of drive"
