"""A value on its way: exponential approach in closed form, so that asking in between changes nothing."""

from __future__ import annotations

import math

__all__ = ["Settling"]

# After its settling time a value is within exp(-7) = 0.09 % of a step.
TIME_CONSTANTS_TO_SETTLE = 7.0
# After this many time constants what is left (2e-9 of the step) is taken as nothing.
TIME_CONSTANTS_TO_END = 20.0


class Settling:
    """
    Moves from where it is to `target`, with the time constant settling time / 7.

    Args:
        settling_time_s: 0: it jumps. [s]
        value: Where it stands at first.
    """

    __slots__ = ("_begin_s", "_start", "ends_at", "target", "time_constant_s")

    def __init__(self, settling_time_s: float, value: float) -> None:
        self.time_constant_s = settling_time_s / TIME_CONSTANTS_TO_SETTLE
        self._start = self.target = value
        self._begin_s = 0.0
        self.ends_at = -math.inf

    def move(self, t: float, target: float) -> None:
        """From where it is at `t` towards `target`. [s]"""
        if target == self.target:
            return  # the same approach goes on; starting it anew would be exact too, but costs the last digits
        self._start = self.at(t)
        self.target = target
        self._begin_s = t
        self.ends_at = t + TIME_CONSTANTS_TO_END * self.time_constant_s

    def at(self, t: float) -> float:
        """Value at `t`, from the last move on. [s]"""
        if t >= self.ends_at:
            return self.target
        return self.target + (self._start - self.target) * math.exp((self._begin_s - t) / self.time_constant_s)

    def reaches(self, level: float, after_s: float) -> float:
        """First moment at or after `after_s` at which it stands at or above `level`; infinity: never. [s]"""
        now = self.at(after_s)
        if now >= level:
            return after_s
        if self.target <= level:
            return math.inf
        return after_s + self.time_constant_s * math.log((self.target - now) / (self.target - level))
