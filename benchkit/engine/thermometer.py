"""The chamber's air and the device's case: read, logged to the record, and held against the limits."""

from __future__ import annotations

import math

from benchkit.clock import Clock
from benchkit.engine.journalist import Sink
from benchkit.errors import LimitError
from benchkit.roles import Chamber
from benchkit.sequence.load import Sequence

__all__ = ["Thermometer"]

EVERY_S = 10.0


class Thermometer:
    """Reads the chamber beside the points, every ten seconds: often enough for a log, seldom enough to cost nothing."""

    def __init__(self, chamber: Chamber | None, sequence: Sequence, sink: Sink, clock: Clock) -> None:
        self.air_degc = math.nan
        self.set_degc = math.nan
        self._chamber = chamber
        self._sink = sink
        self._clock = clock
        self._armed = False
        self._last_s = -math.inf
        limits, name = sequence.file.limits, sequence.path.name
        self._upper = (limits.temperature_max_degc, f"{name}: limits.temperature_max")
        self._lower = (limits.temperature_min_degc, f"{name}: limits.temperature_min")

    def arm_if_due(self, *, always: bool = False) -> None:
        """Arm the chamber when its last reading is old."""
        if self._chamber is not None and (always or self._clock.monotonic() - self._last_s >= EVERY_S):
            self._chamber.arm()
            self._armed = True

    def collect(self, case_degc: float) -> None:
        """
        Collect the chamber if it was armed, log it with the case. [degC]

        Raises:
            LimitError: The air is outside the device's temperature limits.
        """
        if not self._armed or self._chamber is None:
            return
        self._armed = False
        self._last_s = self._clock.monotonic()
        self.air_degc = self._chamber.collect()
        self._sink.append(
            "chamber",
            {
                "time_s": self._clock.now(),
                "set_degc": self.set_degc,
                "air_degc": self.air_degc,
                "case_degc": case_degc,
            },
        )
        if self.air_degc > self._upper[0]:
            raise LimitError("chamber air", self.air_degc, self._upper[0], "°C", self._upper[1])
        if self.air_degc < self._lower[0]:
            raise LimitError("chamber air", self.air_degc, self._lower[0], "°C", self._lower[1], "below")
