"""The chamber's air and the device's case: read, logged to the record, held against limits and against the set point."""

from __future__ import annotations

import math

from benchkit.bench.model import ChamberSettings
from benchkit.clock import Clock
from benchkit.engine.journalist import Events, Sink
from benchkit.errors import InstrumentError, LimitError, TemperatureError
from benchkit.quantities import pt100_temperature_degc
from benchkit.roles import Chamber, Voltmeter
from benchkit.sequence.load import Sequence

__all__ = ["Thermometer", "case_temperature_degc"]

EVERY_S = 10.0
# Unless the sequence says otherwise, a temperature is lost this many soak tolerances away, for this long.
LOST_TOLERANCES = 3.0
LOST_FOR_S = 120.0


class Thermometer:
    """
    Reads the chamber beside the points, every ten seconds: often enough for a log, seldom enough to cost nothing.

    The air is held against the device's limits and against the chamber's own range, whichever is narrower; the chamber has
    both as limits of its own, too. While a temperature is being held, air outside the soak's tolerance is an event, and a
    temperature that is lost ends the run.

    Args:
        ratings: The chamber's settings in the bench file; None without one.
        bench_name: The bench file's name, for messages.
    """

    def __init__(
        self,
        chamber: Chamber | None,
        sequence: Sequence,
        sink: Sink,
        clock: Clock,
        events: Events,
        ratings: ChamberSettings | None,
        bench_name: str,
    ) -> None:
        self.air_degc = math.nan
        self.case_degc = math.nan
        self.set_degc = math.nan
        self.is_holding = False
        """Whether the set point was reached and is to be held; the soak says so."""
        self._chamber = chamber
        self._sink = sink
        self._clock = clock
        self._events = events
        self._armed = False
        self._last_s = -math.inf
        limits, name = sequence.file.limits, sequence.path.name
        self._name = name
        self._upper = (limits.temperature_max_degc, f"{name}: limits.temperature_max")
        self._lower = (limits.temperature_min_degc, f"{name}: limits.temperature_min")
        self._case_limits = (self._lower, self._upper)
        if ratings is not None and chamber is not None:
            key = f"{bench_name}: instruments.{chamber.name}"
            self._upper = min(self._upper, (ratings.temperature_max_degc, f"{key}.temperature_max"))
            self._lower = max(self._lower, (ratings.temperature_min_degc, f"{key}.temperature_min"))
        temperature = sequence.file.conditions.temperature
        self._tolerance_k = math.inf if temperature is None else temperature.soak.tolerance_k
        lost = None if temperature is None else temperature.lost
        self._lost_beyond_k = LOST_TOLERANCES * self._tolerance_k if lost is None else lost.beyond_k
        self._lost_for_s = LOST_FOR_S if lost is None else lost.for_s
        self._outside_since_s: float | None = None
        self._lost_since_s: float | None = None
        self._worst_degc = math.nan

    def arm_if_due(self, *, always: bool = False) -> None:
        """Arm the chamber when its last reading is old."""
        if self._chamber is not None and (always or self._clock.monotonic() - self._last_s >= EVERY_S):
            self._chamber.arm()
            self._armed = True

    def abandon(self) -> None:
        """A reading that was given up is not collected."""
        self._armed = False

    def collect(self, case_degc: float) -> None:
        """
        Collect the chamber if it was armed, log it with the case. [degC]

        Raises:
            LimitError: Air or case is outside the temperature limits.
            TemperatureError: The temperature that was reached is lost.
        """
        if not self._armed or self._chamber is None:
            return
        self._armed = False
        self._last_s = self._clock.monotonic()
        self.case_degc = case_degc
        self.air_degc = self._chamber.collect()
        # Logged before it is judged: a reading that ends the run is on record.
        self._sink.append(
            "chamber",
            {
                "time_s": self._clock.now(),
                "set_degc": self.set_degc,
                "air_degc": self.air_degc,
                "case_degc": case_degc,
            },
        )
        self._check("chamber air", self.air_degc, self._lower, self._upper)
        self._check("case temperature", case_degc, *self._case_limits)
        if self.is_holding:
            self._hold(self._last_s)

    def hold(self, begin: bool) -> None:
        """A temperature was reached and is to be held, or is left on purpose."""
        self.is_holding = begin
        self._outside_since_s = self._lost_since_s = None

    @staticmethod
    def _check(what: str, value_degc: float, lower: tuple[float, str], upper: tuple[float, str]) -> None:
        if value_degc > upper[0]:
            raise LimitError(what, value_degc, upper[0], "°C", upper[1])
        if value_degc < lower[0]:
            raise LimitError(what, value_degc, lower[0], "°C", lower[1], "below")

    def _hold(self, now_s: float) -> None:
        away_k = abs(self.air_degc - self.set_degc)
        if away_k <= self._tolerance_k:
            if self._outside_since_s is not None:
                self._events.note(
                    "temperature back",
                    f"air at {self.air_degc:+.2f} °C, back within ± {self._tolerance_k:g} K of {self.set_degc:+g} °C after "
                    f"{(now_s - self._outside_since_s) / 60:.1f} min; it was at {self._worst_degc:+.2f} °C at worst",
                )
            self._outside_since_s = self._lost_since_s = None
            return
        if self._outside_since_s is None:
            self._outside_since_s, self._worst_degc = now_s, self.air_degc
            self._events.note(
                "temperature off",
                f"air at {self.air_degc:+.2f} °C, more than {self._tolerance_k:g} K off {self.set_degc:+g} °C while measuring "
                f"({self._name}: conditions.temperature.soak.tolerance); the run goes on unless it is beyond "
                f"{self._lost_beyond_k:g} K for {self._lost_for_s:g} s",
                "warning",
            )
        if away_k > abs(self._worst_degc - self.set_degc):
            self._worst_degc = self.air_degc
        if away_k <= self._lost_beyond_k:
            self._lost_since_s = None
            return
        if self._lost_since_s is None:
            self._lost_since_s = now_s
        if now_s - self._lost_since_s >= self._lost_for_s:
            name = "chamber" if self._chamber is None else self._chamber.name
            raise TemperatureError(
                f"{name} has lost {self.set_degc:+g} °C: its air is at {self.air_degc:+.1f} °C, more than "
                f"{self._lost_beyond_k:g} K off for {now_s - self._lost_since_s:.0f} s "
                f"({self._name}: conditions.temperature.lost). Is it running, is its "
                "door closed, has it coolant?"
            )


def case_temperature_degc(voltmeter: Voltmeter, case_ohm: float) -> float:
    """
    From the case's platinum resistor. [ohm] -> [degC]

    Raises:
        InstrumentError: It reads no temperature.
    """
    try:
        if math.isnan(case_ohm):
            raise ValueError("no number")
        return float(pt100_temperature_degc(case_ohm))
    except ValueError as error:
        raise InstrumentError(
            voltmeter.name,
            f"case sensor reads {case_ohm:.6g} ohm: {error}. Without it nobody knows how warm the part is. Is it connected?",
        ) from error
