"""Faults of the device, and of what connects it."""

from __future__ import annotations

import math

from sim_instruments.faults.base import DRAIN_GONE, Excuse, Scene, TwinFault
from sim_instruments.physics.channel import DeviceChannel

__all__ = ["Dies", "Drifts", "Oscillates", "PathLoose", "ThermalRunaway"]

LOOSE_DB = 55.0
OSCILLATION_DBM = 25.0
OSCILLATION_CURRENT = 1.5
SHORT_CURRENT = 8.0
DRIFT_DB_PER_S = 0.05
DRIFT_MOST_DB = 3.0
RUNAWAY_TIME_CONSTANT_S = 0.4
RUNAWAY_MOST = 8.0
RUNAWAY_LOOK_S = 0.02
# Below this a part does not heat itself.
WARM_A = 0.05


class PathLoose(TwinFault):
    """The output connector of the powered channel has come loose: what arrives is what couples across the gap."""

    NAME = "path-loose"
    TELLS = "the output path comes loose: 55 dB more loss"
    PLACES = ("power meter",)

    def strike(self, scene: Scene, t: float) -> None:
        path = scene.channel.meters.get(scene.instrument.name)

        def act() -> None:
            if path is not None:
                path.extra_db += LOOSE_DB

        scene.world.alter(t, act)


class _DeviceFault(TwinFault):
    """Something that happens to the powered channel of the device."""

    PLACES = ("drain",)
    NEEDS_STOP = True

    channel: DeviceChannel

    def excuses(self, scene: Scene) -> tuple[Excuse, ...]:
        return (DRAIN_GONE,)

    def is_visible(self, scene: Scene, instrument: str, t: float) -> bool:
        # What a device does inside its maxima is its own affair; beyond them, or when a protection has acted, it shows.
        drain, maxima = self.channel.drain, scene.world.device_file.absolute_maximum
        if instrument == drain.name:
            return scene.falls_short(drain, t)
        path = self.channel.meters.get(instrument)
        if path is None or not self.channel.source.is_on:
            return False
        # As a meter takes it: all the power there is, corrected by the path's loss at the carrier.
        level_dbm = scene.world.power_at(instrument, t) + path.loss_db(self.channel.source.frequency_hz)
        return level_dbm > maxima.output_power_dbm


class Oscillates(_DeviceFault):
    """It oscillates: half as much drain current again, and a strong tone at the output that nobody put in."""

    NAME = "oscillates"
    TELLS = "the device oscillates: 1.5 times the drain current, +25 dBm out by itself"

    def strike(self, scene: Scene, t: float) -> None:
        self.channel = scene.channel
        device = self.channel.device

        def act() -> None:
            device.current_factor = OSCILLATION_CURRENT
            device.oscillates_dbm = OSCILLATION_DBM

        scene.world.alter(t, act)


class Dies(_DeviceFault):
    """Its output stage shorts: no gain any more, and all the current it gets."""

    NAME = "dies"
    TELLS = "the device dies: its drain is a short, its gain is gone"

    def strike(self, scene: Scene, t: float) -> None:
        self.channel = scene.channel
        device = self.channel.device

        def act() -> None:
            device.current_factor = SHORT_CURRENT
            device.gain_shift_db = -60.0

        scene.world.alter(t, act)


class Drifts(TwinFault):
    """Its gain creeps down; the results change because the device does. Nothing is to be stopped: it is to be told."""

    NAME = "drifts"
    TELLS = "the device's gain drifts down by 0.05 dB/s, to 3 dB less"
    PLACES = ("drain",)

    def strike(self, scene: Scene, t: float) -> None:
        self._channel, self._begin_s = scene.channel, t
        self._seen_s = t
        scene.wake_me(t + 1.0)

    def go_on(self, scene: Scene, t: float) -> None:
        if t < self._seen_s + 1.0:
            return
        self._seen_s = t
        shift_db = -min(DRIFT_MOST_DB, DRIFT_DB_PER_S * (t - self._begin_s))

        def act() -> None:
            self._channel.device.gain_shift_db = shift_db

        scene.world.alter(t, act)
        if shift_db > -DRIFT_MOST_DB:
            scene.wake_me(t + 1.0)


class ThermalRunaway(_DeviceFault):
    """More current makes it hotter, heat makes more current: while it is on its current grows e-fold every 0.4 s."""

    NAME = "thermal-runaway"
    TELLS = "thermal runaway: while the device is on its drain current grows by itself"

    def strike(self, scene: Scene, t: float) -> None:
        self.channel = scene.channel
        self._since_s = math.inf
        self._looked_s = -math.inf
        self.go_on(scene, t)

    def go_on(self, scene: Scene, t: float) -> None:
        if t < self._looked_s + RUNAWAY_LOOK_S:
            return
        is_warm = scene.world.truth.operating(self.channel.name, t).response.drain_current_a > WARM_A
        if not is_warm and self._since_s == math.inf:
            return
        self._looked_s = t
        self._since_s = min(self._since_s, t) if is_warm else math.inf
        factor = min(RUNAWAY_MOST, math.exp((t - self._since_s) / RUNAWAY_TIME_CONSTANT_S)) if is_warm else 1.0

        def act() -> None:
            self.channel.device.current_factor = factor

        scene.world.alter(t, act)
        if is_warm:
            scene.wake_me(t + RUNAWAY_LOOK_S)
