"""The RF source's connector: its level on the way from one setting to the next."""

from __future__ import annotations

import math
from collections.abc import Callable

from sim_instruments.physics.settling import TIME_CONSTANTS_TO_END, TIME_CONSTANTS_TO_SETTLE

__all__ = ["SourcePort"]

# A change of frequency disturbs the level control: the level dips this much and recovers.
DIP_DB = 3.0
# Overshoot is not larger than this part of the step that causes it.
OVERSHOOT_PART = 0.3
# A step without overshoot is looked at here once: nearly there, and the device's channel begins to warm or cool.
TIME_CONSTANTS_TO_LOOK = 2.5
NOTHING = -math.inf


class SourcePort:
    """
    Level at the connector over time.

    A step downwards moves exponentially in decibels. A step upwards is three times as fast and overshoots: by the stated
    overshoot, x exp(1 - x), less what the step itself still lacks then. Switched on, power rises from nothing; switched
    off, it is gone at once (a pin switch takes microseconds).

    Args:
        settling_time_s: Within exp(-7) of a step after this. [s]
        overshoot_db: Of a large step upwards. [dB]
    """

    def __init__(self, name: str, settling_time_s: float, overshoot_db: float) -> None:
        self.name = name
        self.frequency_hz = 0.0
        self.is_on = False
        self.extra_db = 0.0
        """A fault's place: what the level is off by, beyond the instrument's accuracy. [dB]"""
        self.limiter: Callable[[], float] | None = None
        """A fault's place: the level that the source's own limiter does not let `extra_db` go beyond. [dBm]"""
        self.ends_at = NOTHING
        self.look_at = math.inf
        """Between a change and its end: the peak of its overshoot, or when most of the way is done. [s]"""
        self._time_constant_s = settling_time_s / TIME_CONSTANTS_TO_SETTLE
        self._overshoot_db = overshoot_db
        self._begin_s = 0.0
        self._target_dbm = NOTHING
        self._gap_db = 0.0
        self._bump_db = 0.0
        self._rises = False

    def change(self, t: float, frequency_hz: float, level_dbm: float, on: bool) -> None:
        """A new setting at `t`. [s, Hz, dBm]"""
        retuned = frequency_hz != self.frequency_hz
        if on == self.is_on and level_dbm == self._target_dbm and not retuned:
            return
        before = self._level_dbm(t)
        self.frequency_hz, self.is_on, self._target_dbm = frequency_hz, on, level_dbm
        self._begin_s = self.ends_at = t
        self._rises = on and before == NOTHING
        self._gap_db = self._bump_db = 0.0
        self.look_at = math.inf
        if not on:
            return
        self.ends_at = t + TIME_CONSTANTS_TO_END * self._time_constant_s
        if not self._rises:
            self._gap_db = before - level_dbm - (DIP_DB if retuned else 0.0)
            self._bump_db = min(self._overshoot_db, OVERSHOOT_PART * max(0.0, level_dbm - before))
        self.look_at = t + self._time_constant_s * (self._peak() if self._bump_db > 0.0 else TIME_CONSTANTS_TO_LOOK)

    @property
    def target_dbm(self) -> float:
        """The level it settles to, without a fault's; minus infinity: never set. [dBm]"""
        return self._target_dbm

    def without_fault_dbm(self, t: float) -> float:
        """What `level_dbm` would be without a fault. [dBm]"""
        return self._level_dbm(t)

    def level_dbm(self, t: float) -> float:
        """At the connector; minus infinity when off. [dBm]"""
        level_dbm = self._level_dbm(t)
        if self.limiter is None:
            return level_dbm + self.extra_db
        # The limiter holds back what the fault adds, never what was set: that is the instrument's own affair.
        return min(level_dbm + self.extra_db, max(level_dbm, self.limiter()))

    def _level_dbm(self, t: float) -> float:
        if not self.is_on:
            return NOTHING
        if t >= self.ends_at:
            return self._target_dbm
        x = (t - self._begin_s) / self._time_constant_s
        decay = math.exp(-x)
        if self._rises:
            return NOTHING if x <= 0.0 else self._target_dbm + 10.0 * math.log10(1.0 - decay)
        if self._bump_db > 0.0:
            # x exp(1 - x) is 1 at its peak, x = 1.
            return self._target_dbm + (self._gap_db * decay * decay + self._bump_db * math.e * x) * decay
        return self._target_dbm + self._gap_db * decay

    def _peak(self) -> float:
        """Where d/dx [gap exp(-3x) + bump x exp(1 - x)] = 0, in time constants, by Newton's method."""
        part = 3.0 * self._gap_db / (self._bump_db * math.e)
        x = 1.0
        for _ in range(8):
            decay = math.exp(-2.0 * x)
            x -= (1.0 - x - part * decay) / (2.0 * part * decay - 1.0)
        return x
