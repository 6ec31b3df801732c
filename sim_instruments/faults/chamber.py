"""Faults of the thermal chamber."""

from __future__ import annotations

from sim_instruments.faults.base import Excuse, Scene, TwinFault
from sim_instruments.instruments.chamber import SimulatedChamber
from sim_instruments.ledger import Abuse

__all__ = ["ChamberOvershoot", "ChamberRunaway", "ChamberStuck", "DoorOpen"]

OVERSHOOT_K = 12.0
RUNAWAY_DEGC = 128.0
# With the door open the air is the room's in a minute or two, whatever the heater does.
DOOR_K_PER_MIN = 60.0
STANDS_K_PER_MIN = 0.01
LOOK_EVERY_S = 5.0


class _ChamberFault(TwinFault):
    """Does something else than it is told."""

    PLACES = ("chamber",)

    def strike(self, scene: Scene, t: float) -> None:
        chamber = scene.instrument
        assert isinstance(chamber, SimulatedChamber), "PLACES says so"
        scene.world.air_temperature(t)
        air = scene.world.air
        self._air_degc, self._ambient_degc = air.air_degc(t), air.ambient_degc
        air.does = self._does
        setpoint_degc, ramp_k_per_min, running = chamber.told
        scene.world.chamber_changed(t, setpoint_degc=setpoint_degc, ramp_k_per_min=ramp_k_per_min, running=running)

    def excuses(self, scene: Scene) -> tuple[Excuse, ...]:
        # It does not go where it is sent.
        return (Excuse(Abuse.LEFT_HOT_OR_COLD, lasting=True),)

    def _does(self, setpoint_degc: float, ramp_k_per_min: float, running: bool) -> tuple[float, float, bool]:
        raise NotImplementedError


class ChamberStuck(_ChamberFault):
    """Neither heats nor cools: the air stays where it is."""

    NAME = "chamber-stuck"
    TELLS = "the chamber stays at the temperature it has"

    def _does(self, setpoint_degc: float, ramp_k_per_min: float, running: bool) -> tuple[float, float, bool]:
        return self._air_degc, STANDS_K_PER_MIN, running


class ChamberOvershoot(_ChamberFault):
    """Its control has gone wrong: it goes past every set point, away from the room's temperature, and stays there."""

    NAME = "chamber-overshoot"
    TELLS = "the chamber goes 12 K beyond its set point"

    def _does(self, setpoint_degc: float, ramp_k_per_min: float, running: bool) -> tuple[float, float, bool]:
        beyond_k = OVERSHOOT_K if setpoint_degc >= self._ambient_degc else -OVERSHOOT_K
        return setpoint_degc + beyond_k, ramp_k_per_min, running


class ChamberRunaway(_ChamberFault):
    """The heater stays on, whatever is set; only switching off, or the chamber's own temperature limit, stops it."""

    NAME = "chamber-runaway"
    TELLS = "the chamber heats on and on; its own temperature limit still acts"

    def strike(self, scene: Scene, t: float) -> None:
        super().strike(scene, t)
        self._looked_s = t
        scene.wake_me(t + LOOK_EVERY_S)

    def go_on(self, scene: Scene, t: float) -> None:
        if t < self._looked_s + LOOK_EVERY_S:
            return
        self._looked_s = t
        # A temperature limit is a switch of its own: it acts whether or not somebody asks.
        assert isinstance(scene.instrument, SimulatedChamber), "PLACES says so"
        scene.instrument.watch(t)
        scene.wake_me(t + LOOK_EVERY_S)

    def _does(self, setpoint_degc: float, ramp_k_per_min: float, running: bool) -> tuple[float, float, bool]:
        return RUNAWAY_DEGC, ramp_k_per_min, running


class DoorOpen(_ChamberFault):
    """Somebody opens the door: the air becomes the room's."""

    NAME = "door-open"
    TELLS = "the chamber's door stands open: its air becomes the room's"

    def _does(self, setpoint_degc: float, ramp_k_per_min: float, running: bool) -> tuple[float, float, bool]:
        return self._ambient_degc, DOOR_K_PER_MIN, True
