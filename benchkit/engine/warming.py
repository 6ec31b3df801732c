"""Warm before opening: a part colder than the room's dew point gets wet when the chamber's door lets the room in."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchkit.clock import Clock
from benchkit.engine.journalist import Events, Progress
from benchkit.engine.soak import read_both
from benchkit.engine.thermometer import Thermometer
from benchkit.roles import Voltmeter
from benchkit.sequence.model import TemperatureSettings, WarmBeforeOpening

__all__ = ["Warming"]


@dataclass(frozen=True)
class Warming:
    """What the end of a run must know to say when the chamber may be opened. The chamber is on its way to idle already."""

    settings: TemperatureSettings
    warm: WarmBeforeOpening
    case: Voltmeter | None
    thermometer: Thermometer
    clock: Clock
    events: Events
    progress: Progress

    def wait(self) -> None:
        """
        Until the case (without a sensor: the air) is warm; at most `at_most`. Says in an event when the chamber may be opened,
        or where it stands when time is up.

        Raises:
            BenchkitError: Chamber or case could not be read.
        """
        wanted_degc, begin_s = self.warm.warm_degc, self.clock.monotonic()
        self.thermometer.hold(False)
        self.thermometer.set_degc = self.settings.idle_degc
        told = False
        while True:
            present_degc = self._read()
            waited_s = self.clock.monotonic() - begin_s
            if present_degc >= wanted_degc:
                after = f" after {waited_s / 60:.1f} min of warming" if told else ""
                self.events.note(
                    "may be opened",
                    f"{self._what} at {present_degc:+.1f} °C{after}, above {wanted_degc:+.1f} °C (dew point + "
                    f"{self.warm.margin_k:g} K): the chamber may be opened. Mind hot and cold surfaces",
                )
                return
            if waited_s >= self.warm.at_most_s:
                self.events.note(
                    "do not open yet",
                    f"{self._what} still at {present_degc:+.1f} °C after {waited_s / 60:.0f} min of warming "
                    f"(conditions.temperature.warm_before_opening.at_most); the chamber goes on to "
                    f"{self.settings.idle_degc:+g} °C. Open it only when it reads above {wanted_degc:+.1f} °C, or water will "
                    "condense on the part",
                    "warning",
                )
                return
            if not told:
                told = True
                self.progress.stage(f"warming before opening, to {wanted_degc:+.1f} °C")
            self.progress.waiting(f"warming before opening: {self._what} {present_degc:+.1f} °C of {wanted_degc:+.1f} °C")
            self.clock.sleep(self.settings.soak.poll_every_s)

    def warn(self) -> None:
        """For an end that is no normal one and does not wait: from what was read last."""
        thermometer = self.thermometer
        present_degc = thermometer.air_degc if self.case is None else thermometer.case_degc
        if present_degc < self.warm.warm_degc:
            self.events.note(
                "do not open yet",
                f"{self._what} was at {present_degc:+.1f} °C when the run ended; the chamber goes to "
                f"{self.settings.idle_degc:+g} °C. Open it only when it reads above {self.warm.warm_degc:+.1f} °C (dew point + "
                f"{self.warm.margin_k:g} K), or water will condense on the part",
                "warning",
            )

    @property
    def _what(self) -> str:
        return "chamber air" if self.case is None else "case"

    def _read(self) -> float:
        case_degc = read_both(self.case, self.thermometer)
        return self.thermometer.air_degc if math.isnan(case_degc) else case_degc
