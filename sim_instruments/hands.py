"""
The hands at the simulated bench: they put a calibration standard in the fixture, or the power meter's sensor, or the device back.

In process they are `TwinLibrary.hands`; served, they have a TCP port of their own, called `hands`, that takes
`FIXTure:CONNect "A","thru"` and answers `FIXTure:CONNect? "A"`. Hands are careless: they connect what they are told, energised
or not; the ledger sees it.
"""

from __future__ import annotations

from typing import ClassVar, Protocol

from benchkit.clock import Clock
from sim_instruments.instruments.instrument import SimulatedInstrument
from sim_instruments.scpi import Command, Fault, Text
from sim_instruments.scpi.formats import quoted

__all__ = ["Hands", "HandsPort"]


class _Touchable(Protocol):
    def connect(self, channel: str, what: str, t: float) -> None: ...
    def connected(self, channel: str) -> str: ...


class _Runs(Protocol):
    def run_until(self, t: float) -> None: ...


class Hands:
    """
    Args:
        world: Where they work.
        twin: Asked to let happen what is due before.
        clock: Theirs.
    """

    def __init__(self, world: _Touchable, twin: _Runs, clock: Clock) -> None:
        self._world, self._twin, self._clock = world, twin, clock

    def connect(self, channel: str, what: str) -> None:
        """
        Put something in a channel's fixture: "device", "open", "short", "load", "thru", "line" or "reflect"; or take the power
        meter's sensor there ("sensor"), or to a source's connector ("sensor at source", "sensor at second source"), or to the
        analyser's cable, a thru in the fixture ("sensor at analyser").

        Raises:
            ValueError: No such channel, or nothing of that name at it.
        """
        t = self._clock.monotonic()
        self._twin.run_until(t)
        self._world.connect(channel, what, t)

    def connected(self, channel: str) -> str:
        """What is in a channel's fixture. Raises ValueError: no such channel."""
        return self._world.connected(channel)

    def calibrate_sensor(self, meter: str) -> None:
        """Nothing to do: a simulated sensor has no reference of its own, and is as good as its accuracy says."""


class HandsPort(SimulatedInstrument):
    """The hands as something that can be talked to over TCP."""

    model: ClassVar[str] = "Hands"

    def __init__(self, world: _Touchable, *, seed: int, t: float) -> None:
        self._world = world
        super().__init__("hands", seed=seed, maker="Generic SCPI", t=t)

    def commands(self) -> list[Command]:
        return [
            Command("FIXTure:CONNect", act=self._connect, takes=(Text(), Text()), ask=self._ask, ask_takes=(Text(),)),
        ]

    def reset(self, t: float) -> None:
        """*RST moves nothing: hands act when they are told, not on the way to something else."""

    def _connect(self, t: float, channel: str, what: str) -> None:
        try:
            self._world.connect(channel, what, t)
        except ValueError as error:
            raise Fault(-224, str(error)) from error

    def _ask(self, t: float, channel: str) -> str:
        try:
            return quoted(self._world.connected(channel))
        except ValueError as error:
            raise Fault(-224, str(error)) from error
