"""Faults of wires and mains: connection reset, unplugged, power-cycled, restarted."""

from __future__ import annotations

import math

from sim_instruments.faults.base import DRAIN_GONE, Excuse, Scene, TwinFault, unreachable_excuses, unverifiable_excuses
from sim_instruments.ledger import Abuse
from sim_instruments.scpi.status import POWER_ON

__all__ = ["PowerCycled", "Reset", "Restarts", "Unplugged"]

# From mains on until an instrument listens.
START_UP_S = 3.0


def cut(scene: Scene) -> None:
    """All present connections are gone."""
    scene.instrument.cuts += 1


def begin_anew(scene: Scene, t: float) -> None:
    """As after its mains switch: defaults, an empty error queue, and the power-on bit. [s]"""
    scene.instrument.reset(t)
    scene.instrument.status.clear()
    scene.instrument.status.event_status = POWER_ON


class Reset(TwinFault):
    """All its connections break; new ones can be made at once. Settings stay."""

    NAME = "reset"
    TELLS = "an instrument's connection is reset by the other side"

    def strike(self, scene: Scene, t: float) -> None:
        cut(scene)


class Unplugged(TwinFault):
    """Its wire is out: it stands as it is and cannot be reached any more."""

    NAME = "unplugged"
    TELLS = "an instrument's wire is pulled: it stays as it is and can't be reached"

    def strike(self, scene: Scene, t: float) -> None:
        cut(scene)
        scene.instrument.is_reachable = False

    def excuses(self, scene: Scene) -> tuple[Excuse, ...]:
        return unreachable_excuses(scene)


class PowerCycled(TwinFault):
    """Mains off and on: outputs off, settings at their defaults, away for three seconds."""

    NAME = "power-cycled"
    TELLS = "an instrument loses its mains for a moment, and with it all its settings"

    def __init__(self) -> None:
        self._back_s = math.inf

    def strike(self, scene: Scene, t: float) -> None:
        cut(scene)
        scene.instrument.is_reachable = False
        begin_anew(scene, t)
        self._back_s = t + START_UP_S
        scene.wake_me(self._back_s)

    def go_on(self, scene: Scene, t: float) -> None:
        if t >= self._back_s:
            scene.instrument.is_reachable = True
            self._back_s = math.inf

    def excuses(self, scene: Scene) -> tuple[Excuse, ...]:
        return _mains_excuses(scene)


class Restarts(TwinFault):
    """A dip of the mains: outputs off and settings at their defaults, back at once, and its connection never broke."""

    NAME = "restarts"
    TELLS = "an instrument starts anew within an instant: its settings are gone, and its connection stays"

    def strike(self, scene: Scene, t: float) -> None:
        begin_anew(scene, t)

    def excuses(self, scene: Scene) -> tuple[Excuse, ...]:
        return _mains_excuses(scene)


def _mains_excuses(scene: Scene) -> tuple[Excuse, ...]:
    # A gate supply without mains takes the gate away; the drain's protection holds the current, as with gate-lost.
    gone = (Excuse(Abuse.GATE_REMOVED), Excuse(Abuse.DRAIN_WITHOUT_GATE)) if scene.gates() else ()
    if scene.instrument.name in scene.world.ports.switches:
        # Its contacts fall open with whatever is on them.
        return (Excuse(Abuse.HOT_SWITCHING, scene.instrument.name),)
    return (*gone, *((DRAIN_GONE,) if scene.outputs() else ()), *unverifiable_excuses(scene))
