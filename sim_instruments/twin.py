"""The twin as a whole: one world, all instruments of one bench, and the order in which things happen in time."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Protocol

from pyvisa.rname import parse_resource_name

from benchkit.bench.load import Bench
from benchkit.clock import Clock
from benchkit.errors import FileError
from sim_instruments.hands import Hands, HandsPort
from sim_instruments.instruments import SimulatedInstrument, Surroundings, make_instrument
from sim_instruments.ledger import Ledger
from sim_instruments.world import World

__all__ = ["Actor", "Fault", "Twin", "WorldAtLarge", "build_twin"]


class WorldAtLarge(Surroundings, Protocol):
    """The world as who owns it sees it."""

    def finish(self, t: float) -> None:
        """The end of the story: what is still energised goes into the ledger."""
        ...

    def connect(self, channel: str, what: str, t: float) -> None:
        """Put the device, or a calibration standard, in a channel's fixture. [s]"""
        ...

    def connected(self, channel: str) -> str:
        """What is in a channel's fixture."""
        ...


class Actor(Protocol):
    """What acts at a time of its own: an instrument with a message that waits, a fault."""

    name: str
    wakes_at: float

    def wake(self, t: float) -> None:
        """Act at `t`; `wakes_at` is later then, or infinite. [s]"""
        ...


class Fault(Protocol):
    """Something that goes wrong on purpose."""

    def plant(self, twin: Twin) -> None:
        """Called once, before anything is said; sets `hears`, `says`, `is_reachable` of instruments, or what else."""
        ...


class Twin:
    """
    All instruments of one bench, switched on, in one world.

    Not for several threads: time is one, and so is the world.

    Args:
        bench: The bench file; each instrument's `twin:` mapping is read here.
        clock: Shared with whoever talks to the instruments.
        world: Physics behind the terminals.
        ledger: What was done to the device.
        seed: Of every instrument's errors, noise and serial number.
        faults: Planted before anything is said.

    Raises:
        FileError: Mistakes in `twin:` mappings; all of them.
    """

    def __init__(
        self,
        bench: Bench,
        clock: Clock,
        world: WorldAtLarge,
        ledger: Ledger,
        *,
        seed: int,
        faults: Sequence[Fault] = (),
    ) -> None:
        self.bench, self.clock, self.world, self.ledger = bench, clock, world, ledger
        self.next_wake = math.inf
        """When the next message that waits goes on. [s]"""
        self.on_finish: Callable[[float], None] | None = None
        """For faults: called when the story ends. [s]"""
        self.instruments: dict[str, SimulatedInstrument] = {}
        # In order, not a set: two runs of one seed must do the same in the same order.
        self._waiting: dict[str, Actor] = {}
        t = clock.monotonic()
        mistakes = []
        for name in bench.file.instruments:
            try:
                instrument = make_instrument(name, bench.file, world, file=bench.path.name, seed=seed, t=t)
            except FileError as error:
                mistakes += [bench.mistake(mistake.key, mistake.message) for mistake in error.mistakes]
            else:
                instrument.on_wait = self.attend
                self.instruments[name] = instrument
        self.hands = Hands(world, self, clock)
        self.hands_port = HandsPort(world, seed=seed, t=t)
        """The hands over TCP: a network analyser is calibrated, and paths are measured, by connecting things."""
        self.hands_port.on_wait = self.attend
        if mistakes:
            raise FileError(mistakes)
        for fault in faults:
            fault.plant(self)

    def at_address(self, resource_name: str) -> SimulatedInstrument | None:
        """The instrument at a VISA resource name, in whatever spelling; None when there is none."""
        wanted = str(parse_resource_name(resource_name))
        for name, settings in self.bench.file.instruments.items():
            if str(parse_resource_name(settings.address)) == wanted:
                return self.instruments[name]
        return None

    def run_until(self, t: float) -> None:
        """Let every message that is due by `t` go on, in the order of their times. [s]"""
        while self.next_wake <= t:
            due = self.next_wake
            for instrument in [one for one in self._waiting.values() if one.wakes_at <= due]:
                instrument.wake(due)
            self._waiting = {name: one for name, one in self._waiting.items() if one.wakes_at < math.inf}
            self.next_wake = min([one.wakes_at for one in self._waiting.values()], default=math.inf)

    def attend(self, actor: Actor) -> None:
        """Let something that is no instrument act when its time comes; again whenever it has a new time."""
        self._waiting[actor.name] = actor
        if actor.wakes_at < self.next_wake:
            self.next_wake = actor.wakes_at

    def finish(self) -> None:
        """The story ends now; may be called again if it goes on."""
        t = self.clock.monotonic()
        self.run_until(t)
        self.world.finish(t)
        if self.on_finish is not None:
            self.on_finish(t)


def build_twin(
    bench: Bench,
    clock: Clock,
    *,
    seed: int = 1,
    unit: str = "L07-W1-01",
    ledger_path: Path | None = None,
    faults: Sequence[Fault] = (),
) -> Twin:
    """
    A twin of a bench with one unit of the device on it.

    Args:
        bench: The bench file, read and checked; its `twin.device` names the device file.
        clock: Shared with whoever talks to the instruments.
        seed: Of everything that is drawn.
        unit: Serial number of the unit; with the seed it decides how this unit differs from the nominal one.
        ledger_path: File for the ledger; None keeps it in memory.
        faults: Planted before anything is said.

    Raises:
        FileError: Mistakes in the device file or in `twin:` mappings.
    """
    ledger = Ledger(ledger_path)
    world = World(bench, clock, seed=seed, unit=unit, ledger=ledger)
    return Twin(bench, clock, world, ledger, seed=seed, faults=faults)
