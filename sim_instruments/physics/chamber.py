"""
The chamber's air: a set point that moves at the set rate, and air that follows it as a second-order system.

Everything is a straight line plus one damped oscillation (or one exponential), so the air at any time, and what it does
to the case, have closed forms.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

__all__ = ["AirCourse", "ChamberAir"]

# The control loop: about a minute to settle, overshoot of a few tenths of a kelvin after a ramp of 3 K/min.
NATURAL_RAD_PER_S = 0.04
DAMPING = 0.45
# Switched off, the chamber drifts to the room's temperature.
DRIFT_TIME_CONSTANT_S = 2400.0
# Compressor and heater take turns.
RIPPLE_K = 0.1
RIPPLE_PERIOD_S = 47.0


class AirCourse(NamedTuple):
    """
    Air temperature s seconds after its beginning:
    level + slope s + exp(-decay s) (cosine cos(turn s) + sine sin(turn s)). [degC, s]
    """

    begin_s: float
    level: float
    slope: float
    decay: float
    turn: float
    cosine: float
    sine: float

    def at(self, t: float) -> float:
        """Air temperature at `t`, not before its beginning. [s, degC]"""
        s = t - self.begin_s
        swing = self.cosine * math.cos(self.turn * s) + self.sine * math.sin(self.turn * s)
        return self.level + self.slope * s + math.exp(-self.decay * s) * swing

    def rate_at(self, t: float) -> float:
        """Of change. [s, K/s]"""
        s = t - self.begin_s
        cos, sin = math.cos(self.turn * s), math.sin(self.turn * s)
        swing = self.cosine * cos + self.sine * sin
        turned = self.turn * (self.sine * cos - self.cosine * sin)
        return self.slope + math.exp(-self.decay * s) * (turned - self.decay * swing)


class ChamberAir:
    """
    Args:
        ambient_degc: The room, and the air at first. [degC]
    """

    def __init__(self, t: float, ambient_degc: float) -> None:
        self.ambient_degc = ambient_degc
        self.setpoint_degc = ambient_degc
        self.is_running = False
        self.does: Callable[[float, float, bool], tuple[float, float, bool]] | None = None
        """A fault's place: from set point, ramp and running as it is told to what it does. [degC, K/min]"""
        # The moving set point, at the course's start, and its rate.
        self._reference_degc = ambient_degc
        self._reference_k_per_s = 0.0
        self.course = AirCourse(t, ambient_degc, 0.0, 1.0 / DRIFT_TIME_CONSTANT_S, 0.0, 0.0, 0.0)

    @property
    def arrives_at(self) -> float:
        """When the moving set point reaches its end; infinity: it stands. [s]"""
        if self._reference_k_per_s == 0.0:
            return math.inf
        return self.course.begin_s + (self.setpoint_degc - self._reference_degc) / self._reference_k_per_s

    def change(self, t: float, setpoint_degc: float, ramp_k_per_min: float, running: bool) -> None:
        """A new setting at `t`. [s, degC, K/min]"""
        self.advance(t)
        if self.does is not None:
            setpoint_degc, ramp_k_per_min, running = self.does(setpoint_degc, ramp_k_per_min, running)
        if running and not self.is_running:
            self._reference_degc = self.course.at(t)
        self.setpoint_degc, self.is_running = setpoint_degc, running
        to_go = setpoint_degc - self._reference_degc
        moves = running and to_go != 0.0
        self._reference_k_per_s = math.copysign(ramp_k_per_min / 60.0, to_go) if moves else 0.0
        self._begin(t, self.course.at(t), self.course.rate_at(t))

    def advance(self, t: float) -> None:
        """Take `t` as the course's new start; at most to `arrives_at`, where the course bends. [s]"""
        air, rate = self.course.at(t), self.course.rate_at(t)
        if t >= self.arrives_at:
            self._reference_degc, self._reference_k_per_s = self.setpoint_degc, 0.0
        else:
            self._reference_degc += self._reference_k_per_s * (t - self.course.begin_s)
        self._begin(t, air, rate)

    def air_degc(self, t: float) -> float:
        """Without the ripple of its control. [degC]"""
        return self.course.at(t)

    def ripple_k(self, t: float) -> float:
        """What the control's ripple adds at the sensor; the case is too slow to follow it. [K]"""
        return RIPPLE_K * math.sin(2.0 * math.pi * t / RIPPLE_PERIOD_S) if self.is_running else 0.0

    def _begin(self, t: float, air: float, rate: float) -> None:
        if not self.is_running:
            ambient = self.ambient_degc
            self.course = AirCourse(t, ambient, 0.0, 1.0 / DRIFT_TIME_CONSTANT_S, 0.0, air - ambient, 0.0)
            return
        # a'' + 2 d w a' + w^2 (a - r) = 0 with r = r0 + k s: the air trails a moving set point by 2 d k / w.
        decay = DAMPING * NATURAL_RAD_PER_S
        turn = NATURAL_RAD_PER_S * math.sqrt(1.0 - DAMPING**2)
        slope = self._reference_k_per_s
        level = self._reference_degc - 2.0 * DAMPING * slope / NATURAL_RAD_PER_S
        cosine = air - level
        self.course = AirCourse(t, level, slope, decay, turn, cosine, (rate - slope + decay * cosine) / turn)
