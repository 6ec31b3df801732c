"""
The device's temperatures in closed form: the case lags the air and is warmed by the device; a channel stands above the case.

Dissipation is taken as constant between two moments at which the world stops to look; within such a stretch every
temperature is exact, however often it is asked for.
"""

from __future__ import annotations

import math

from sim_instruments.device_file import ThermalValues
from sim_instruments.physics.chamber import AirCourse

__all__ = ["CaseThermal", "ChannelThermal"]


class CaseThermal:
    """tau dT/ds + T = air(s) + R P."""

    def __init__(self, t: float, values: ThermalValues) -> None:
        self._tau_s, self._k_per_w = values.case_time_constant_s, values.case_k_per_w
        self._base_s = t
        self._air: AirCourse | None = None
        self._followed = AirCourse(t, values.ambient_degc, 0.0, 0.0, 0.0, 0.0, 0.0)
        self._warmed_k = 0.0
        self._rest_k = 0.0

    def begin(self, t: float, air: AirCourse, dissipation_w: float) -> None:
        """From `t` on the air takes this course, which may have begun before, and the device dissipates this much. [s, W]"""
        warmed_k = self._k_per_w * dissipation_w
        # What this adds to the way the case follows the air must start where the old sum stands.
        self._rest_k = self._warmed_k - warmed_k + self._rest_k * math.exp((self._base_s - t) / self._tau_s)
        self._base_s, self._warmed_k = t, warmed_k
        if air is not self._air:
            followed = self._following(air)
            self._rest_k += self._followed.at(t) - followed.at(t)
            self._air, self._followed = air, followed

    def at(self, t: float) -> float:
        """Case temperature. [degC]"""
        return self._followed.at(t) + self._warmed_k + self._rest_k * math.exp((self._base_s - t) / self._tau_s)

    def _following(self, air: AirCourse) -> AirCourse:
        """
        The particular solution without dissipation, term by term; for the damped oscillation a 2 x 2 system:
        (1 - decay tau) E + turn tau F = C,   (1 - decay tau) F - turn tau E = D.
        """
        tau, decay = self._tau_s, air.decay
        p, q = 1.0 - decay * tau, air.turn * tau
        if p * p + q * q < 1e-12:
            # Air and case of one time constant: s exp(-s / tau), the limit of what stands here. A hair beside it the two
            # differ by a millionth.
            p, q, decay = 1e-6, 0.0, (1.0 - 1e-6) / tau
        scale = p * p + q * q
        return air._replace(
            level=air.level - air.slope * tau,
            decay=decay,
            cosine=(p * air.cosine - q * air.sine) / scale,
            sine=(q * air.cosine + p * air.sine) / scale,
        )


class ChannelThermal:
    """A channel's rise above the case: first order, milliseconds."""

    def __init__(self, t: float, values: ThermalValues) -> None:
        self._tau_s, self._k_per_w = values.channel_time_constant_s, values.channel_k_per_w
        self._base_s = t
        self._start_k = self._target_k = 0.0

    def begin(self, t: float, dissipation_w: float) -> None:
        """From `t` on the channel dissipates this much. [s, W]"""
        self._start_k = self.rise_k(t)
        self._base_s = t
        self._target_k = self._k_per_w * dissipation_w

    def rise_k(self, t: float) -> float:
        """Above the case. [K]"""
        s = t - self._base_s
        if s > 40.0 * self._tau_s:
            return self._target_k
        return self._target_k + (self._start_k - self._target_k) * math.exp(-s / self._tau_s)
