"""
Drain and gate are looked at while a slow instrument takes its time.

A spectrum analyser's lines take from a tenth of a second to most of a minute; in that time a device runs away, loses its bias or
its drive as at any other. Supplies answer in some 20 ms and are instruments of their own: they are read meanwhile, in time that
would be waited anyhow.
"""

from __future__ import annotations

from collections.abc import Callable

from benchkit.clock import Clock
from benchkit.engine.pins import PinReader

__all__ = ["PinWatch"]

# From one look to the next, where the instrument that is waited for leaves room for it.
INTERVAL_S = 0.1
# After so long it is looked, even if what is waited for is ready by then: sweeps shorter than a look must not hide the part.
LATEST_S = 0.2


class PinWatch:
    """
    Args:
        hold: Told of each look: when, and voltage and current of each pin; holds them against the limits. [s, V, A]
    """

    def __init__(self, clock: Clock, reader: PinReader, hold: Callable[[float, list[tuple[float, float]]], None]) -> None:
        self._clock, self._reader, self._hold = clock, reader, hold
        self._looked_s = self._takes_s = 0.0
        self._started_s: float | None = None

    def begin(self, armed_s: float) -> None:
        """
        A reading of the pins was the first look.

        Args:
            armed_s: Monotonic time at which they were armed, and just before it what is waited for first. [s]
        """
        self._started_s, self._looked_s = armed_s, self._clock.monotonic()
        self._takes_s = self._looked_s - armed_s

    def wait(self, duration_s: float) -> float:
        """
        Look until what was started is about to be ready. Started is what `begin` says, later what was started just now. [s]

        Returns:
            How much is left until it is ready. [s]

        Raises:
            LimitError: As `hold` does, and what else it raises.
        """
        clock = self._clock
        started_s, self._started_s = clock.monotonic() if self._started_s is None else self._started_s, None
        due_s = started_s + duration_s
        while (at_s := max(clock.monotonic(), self._looked_s + INTERVAL_S)) + self._takes_s <= due_s:
            clock.sleep(at_s - clock.monotonic())
            self._look()
        if clock.monotonic() - self._looked_s > LATEST_S:
            self._look()
        return max(0.0, due_s - clock.monotonic())

    def _look(self) -> None:
        time_s, armed_s = self._clock.now(), self._clock.monotonic()
        values = self._reader.read()
        self._looked_s = self._clock.monotonic()
        self._takes_s = self._looked_s - armed_s
        self._hold(time_s, values)
