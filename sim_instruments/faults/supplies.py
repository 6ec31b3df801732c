"""Faults of DC supplies."""

from __future__ import annotations

from sim_instruments.faults.base import DRAIN_GONE, Excuse, Scene, TwinFault
from sim_instruments.ledger import Abuse

__all__ = ["CurrentLimit", "GateLost", "StuckOn"]

# A tenth of what the part draws.
COLLAPSED_A = 0.02


class CurrentLimit(TwinFault):
    """The output gives next to nothing: its voltage sinks to what the part can draw."""

    NAME = "current-limit"
    TELLS = "the drain supply drops into current limit at 20 mA"
    PLACES = ("drain",)
    NEEDS_STOP = True

    def strike(self, scene: Scene, t: float) -> None:
        self._port = port = scene.output()

        def act() -> None:
            port.gives_at_most_a = COLLAPSED_A

        scene.world.alter(t, act)

    def excuses(self, scene: Scene) -> tuple[Excuse, ...]:
        return (DRAIN_GONE,)

    def is_visible(self, scene: Scene, instrument: str, t: float) -> bool:
        return instrument == self._port.name and scene.falls_short(self._port, t)


class StuckOn(TwinFault):
    """The output's switch has welded: it stays on, and the supply believes that it is off. Its voltage can still be set."""

    NAME = "stuck-on"
    TELLS = "a supply's output will not switch off, and the supply says that it has"
    PLACES = ("drain", "gate")

    def strike(self, scene: Scene, t: float) -> None:
        port = scene.output()

        def act() -> None:
            port.is_stuck_on = True

        scene.world.alter(t, act)

    def excuses(self, scene: Scene) -> tuple[Excuse, ...]:
        # A gate that cannot be switched off harms nothing once its drain is off. A drain can still be set to 0 V: no excuse.
        return tuple(Excuse(Abuse.LEFT_ENERGISED, port.label, lasting=True) for port in scene.gates())


class GateLost(TwinFault):
    """
    The output falls to 0 V and stays there. A depletion-mode part then draws all that its drain supply gives: the drain's
    current limit and trip, set beforehand, are what holds it below its maximum, and no reading is fast enough for that.
    """

    NAME = "gate-lost"
    TELLS = "the gate supply fails to 0 V"
    PLACES = ("gate",)
    NEEDS_STOP = True

    def strike(self, scene: Scene, t: float) -> None:
        ports = scene.gates()

        def act() -> None:
            for port in ports:
                port.stands_at_v = 0.0

        scene.world.alter(t, act)

    def excuses(self, scene: Scene) -> tuple[Excuse, ...]:
        # Not the currents that follow: those the drain's protection prevents.
        return (Excuse(Abuse.GATE_REMOVED), Excuse(Abuse.DRAIN_WITHOUT_GATE), DRAIN_GONE)

    def is_visible(self, scene: Scene, instrument: str, t: float) -> bool:
        channel = scene.channel
        return any(instrument == port.name and scene.falls_short(port, t) for port in (channel.drain, channel.gate))
