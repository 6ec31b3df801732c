"""
The device's own word on whether it is at temperature.

Air and case say what surrounds the die, and nothing of the heat it makes itself: a part that is biased for the first time at a
temperature warms its case by a kelvin or two, and drifts for minutes. So it is biased while it soaks, as at the first condition
that is measured there, by the same machine, with the same protections and every reading held against the same walls; its gate is
held where the trim left it, and its current (or the sentinel's gain) must drift slower than a stated rate.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable

import numpy as np

from benchkit.clock import Clock
from benchkit.engine.biasing import Biaser, BiasReading
from benchkit.engine.station import ChannelStation
from benchkit.measurements.base import Reading
from benchkit.measurements.sentinel import Sentinel
from benchkit.sequence.model import DeviceSoak

__all__ = ["SOAKING", "SoakingDevice"]

SOAKING = "soaking"
"""State in the bias log: biased, while the temperature is waited for."""

Up = Callable[[], tuple[Biaser, ChannelStation]]
Log = Callable[[str, BiasReading], None]


class SoakingDevice:
    """
    One soak's part.

    Args:
        up: Biases it up; called once, when the air is first in tolerance.
        log: Takes a row of the bias log: state and reading.
        sentinel: Whose gain is asked for; None: the sequence asks for the current only.
    """

    def __init__(self, settings: DeviceSoak, up: Up, log: Log, sentinel: Sentinel | None, clock: Clock) -> None:
        self._settings, self._up, self._log, self._clock = settings, up, log, clock
        self._sentinel = sentinel if settings.gain_drift_max_db_per_min is not None else None
        self._part: tuple[Biaser, ChannelStation] | None = None
        self._times_s: deque[float] = deque()
        self._currents_a: deque[float] = deque()
        self._gains_db: deque[float] = deque()

    @property
    def is_biased(self) -> bool:
        return self._part is not None

    def look(self) -> None:
        """
        One reading; the first one biases it up.

        Raises:
            LimitError, InstrumentError, ConditionError: As at a condition.
        """
        if self._part is None:
            self._part = self._up()
            self._log(SOAKING, self._part[0].read())
        biaser, station = self._part
        gain_db, current_a = math.nan, biaser.read().drain_current_a
        if self._sentinel is not None:
            readings: list[Reading] = list(self._sentinel.measure(next(self._sentinel.ladders()), station))
            current_a = readings[0]["drain_current_a"]
            gain_db = float(np.mean([reading.get("gain_db", math.nan) for reading in readings[1:]]))
        for values, value in ((self._times_s, self._clock.monotonic()), (self._currents_a, current_a), (self._gains_db, gain_db)):
            values.append(value)
        # The window is never shorter than asked for: the oldest goes when the next one is old enough by itself.
        while len(self._times_s) > 2 and self._times_s[-1] - self._times_s[1] >= self._settings.over_s:
            for values in (self._times_s, self._currents_a, self._gains_db):
                values.popleft()

    @property
    def current_drift_a_per_min(self) -> float:
        """Slope of a straight line through the window; infinite while the window is not full. [A/min]"""
        return self._slope(self._currents_a)

    @property
    def gain_drift_db_per_min(self) -> float:
        """The same of the sentinel's gain; NaN: not asked for. [dB/min]"""
        return math.nan if self._sentinel is None else self._slope(self._gains_db)

    @property
    def is_still(self) -> bool:
        """A drift that is no number is not still."""
        return self.is_biased and not self._moving()

    def _moving(self) -> list[str]:
        settings, found = self._settings, []
        current, gain = settings.quiescent_drift_max_a_per_min, settings.gain_drift_max_db_per_min
        if current is not None and not abs(self.current_drift_a_per_min) <= current:
            found.append(
                f"its quiescent current drifts by {self.current_drift_a_per_min * 1e6:+.0f} uA/min, and "
                f"{current * 1e6:.0f} uA/min counts as still"
            )
        if gain is not None and not abs(self.gain_drift_db_per_min) <= gain:
            found.append(f"its gain drifts by {self.gain_drift_db_per_min:+.4f} dB/min, and {gain:g} dB/min counts as still")
        return found

    def obstacle(self) -> str:
        """Why it is not still yet; "": it is."""
        if not self.is_biased:
            return "the device is not biased yet"
        return "" if self.is_still else "; ".join(f"the device: {one}" for one in self._moving())

    def shown(self) -> str:
        """For the event, e.g. "device +12 uA/min"."""
        gain = "" if self._sentinel is None else f", {self.gain_drift_db_per_min:+.4f} dB/min"
        return f"device {self.current_drift_a_per_min * 1e6:+.0f} uA/min{gain}"

    def end(self) -> None:
        """Down to unpowered, verified; the heat it has made stays in it until it is biased again a moment later."""
        if self._part is None:
            return
        biaser, station = self._part
        station.rest()
        reading = biaser.read()
        biaser.bias_down()
        self._log(biaser.state.value, reading)
        self._part = None

    def _slope(self, values: deque[float]) -> float:
        """Least squares. A reading that is none makes it none. [unit/min]"""
        if len(self._times_s) < 3 or self._times_s[-1] - self._times_s[0] < self._settings.over_s:
            return math.inf
        t = np.array(self._times_s) - np.mean(self._times_s)
        return float(np.dot(t, np.array(values) - np.mean(values)) / np.dot(t, t)) * 60.0
