"""What a fault is to the twin: what it is called, where it can be, what it does when it comes and afterwards."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar, NamedTuple

from benchkit.bench.load import Bench
from sim_instruments.instruments import Reply, SimulatedInstrument
from sim_instruments.ledger import Abuse
from sim_instruments.physics.channel import DeviceChannel
from sim_instruments.physics.supply import SupplyPort
from sim_instruments.world import World

__all__ = [
    "ANYWHERE",
    "DRAIN_GONE",
    "READINGS",
    "Excuse",
    "Scene",
    "TwinFault",
    "differs",
    "is_reading",
    "unreachable_excuses",
    "unverifiable_excuses",
]

# An output that reads this far from its setting does not hold it.
SHORT_BY_V = 0.2
# Where a fault can be, in the wiring's words; an instrument that is named must be wired there.
ANALYSERS = ("spectrum analyser", "network analyser")
ANYWHERE = ("power meter", "source", "drain", "gate", "detector", "case", "chamber", "switch", "second source", *ANALYSERS)
READINGS = ("power meter", "drain", "gate", "detector", "case", "chamber", *ANALYSERS)


class Excuse(NamedTuple):
    """
    What a fault does to the device by its own physics, and no protection could have held back.

    Attributes:
        what: Kind of ledger entry.
        where: Text that the entry's detail must have in it; "": anywhere.
        lasting: It may stand at the end of the story (an output that nobody can switch off); else it must have ended soon
            after the fault showed.
    """

    what: str
    where: str = ""
    lasting: bool = False


# A drain that goes while RF is on leaves RF in an unbiased part, until the next reading: nobody can prevent that.
DRAIN_GONE = Excuse(Abuse.RF_UNBIASED)


@dataclass(frozen=True)
class Scene:
    """
    Where a fault acts.

    Attributes:
        instrument: The one it is in.
        wake_me: Asks to have `go_on` called at a time. [s]
    """

    bench: Bench
    world: World
    instrument: SimulatedInstrument
    wake_me: Callable[[float], None]

    @property
    def channel(self) -> DeviceChannel:
        """The channel that is powered; while none is, the first that is wired."""
        channels = self.world.channels
        return next((channel for channel in channels if channel.drain.is_on), channels[0])

    def outputs(self) -> list[SupplyPort]:
        """All outputs of the instrument, a supply."""
        return [port for (name, _), port in self.world.ports.supplies.items() if name == self.instrument.name]

    def falls_short(self, port: SupplyPort, t: float) -> bool:
        """Whether an output that should hold its voltage does not: by a current limit, a trip, or because it cannot. [s]"""
        if not (port.is_on or port.tripped):
            return False
        voltage_v = self.world.supply_terminal(port.name, port.channel, t).voltage_v
        return abs(voltage_v - port.set_v) > SHORT_BY_V

    def gates(self) -> list[SupplyPort]:
        """Those of its outputs that are gates."""
        gates = [channel.gate for channel in self.world.channels]
        return [port for port in self.outputs() if port in gates]

    def output(self) -> SupplyPort:
        """The output of the instrument, a supply, that feeds the powered channel."""
        channel, outputs = self.channel, self.outputs()
        return next((port for port in (channel.drain, channel.gate) if port in outputs), outputs[0])


class TwinFault:
    """
    One fault in one instrument. Made when the twin is; does nothing before it comes.

    Attributes:
        NAME: As it is asked for.
        TELLS: What happens, for a person.
        PLACES: Where it can be, in the wiring's words; the first: where it is when no instrument was named.
        NEEDS_STOP: Whoever goes on energising after it has shown is to blame.
    """

    NAME: ClassVar[str]
    TELLS: ClassVar[str]
    PLACES: ClassVar[tuple[str, ...]] = ANYWHERE
    NEEDS_STOP: ClassVar[bool] = False

    def strike(self, scene: Scene, t: float) -> None:
        """It comes. [s]"""

    def go_on(self, scene: Scene, t: float) -> None:
        """Called at the times it has asked for, and before every message after it has come. [s]"""

    def hears(self, scene: Scene, message: bytes, t: float) -> bytes | None:
        """What becomes of a message to its instrument, after it has come; None: never arrives. [s]"""
        return message

    def says(self, scene: Scene, reply: Reply) -> Reply | None:
        """What becomes of a reply of its instrument, after it has come; None: lost."""
        return reply

    def excuses(self, scene: Scene) -> tuple[Excuse, ...]:
        """What it does to the device that nobody could have prevented."""
        return ()

    def is_visible(self, scene: Scene, instrument: str, t: float) -> bool:
        """Whether a reading that `instrument` takes now shows it. [s]"""
        return False


def unreachable_excuses(scene: Scene) -> tuple[Excuse, ...]:
    """Of an instrument that nobody can switch off any more: what stays on, and what is rightly left on because of it."""
    name, world = scene.instrument.name, scene.world
    if name in world.ports.sources:
        # Its RF goes on into the device when the drain is off, which is the lesser evil.
        return (Excuse(Abuse.LEFT_ENERGISED, f"{name} is on", lasting=True), Excuse(Abuse.RF_UNBIASED, lasting=True))
    if scene.outputs():
        return (Excuse(Abuse.LEFT_ENERGISED, f"{name} output", lasting=True), *unverifiable_excuses(scene))
    return unverifiable_excuses(scene)


def unverifiable_excuses(scene: Scene) -> tuple[Excuse, ...]:
    """
    Of an instrument whose answers cannot be had or believed: a gate rightly held, its drain not being known to be off; a
    chamber that is told nothing more, for nobody knows in which unit it takes a temperature.
    """
    name = scene.instrument.name
    held = [channel.gate.label for channel in scene.world.channels if channel.drain.name == name]
    away = (Excuse(Abuse.LEFT_HOT_OR_COLD, lasting=True),) if scene.bench.file.wiring.chamber == name else ()
    return (*(Excuse(Abuse.LEFT_ENERGISED, label, lasting=True) for label in held), *away)


# Levels at a marker, whole traces and S-parameters are asked for in other words.
_OF_ANALYSERS = (b":MARK", b":TRAC", b"SDAT")


def is_reading(message: bytes) -> bool:
    """Whether a message asks for what an instrument measures."""
    upper = message.upper()
    return b"?" in upper and any(word in upper for word in (b"MEAS", b"FETC", b"READ", *_OF_ANALYSERS))


def differs(ratio: float, by_db: float) -> bool:
    """Whether two powers or currents differ by more than `by_db`. [1, dB]"""
    return ratio <= 0.0 or abs(10.0 * math.log10(ratio)) > by_db
