"""A bench that is no longer what it was: nothing breaks, nothing is to be stopped; every number is a little off from then on."""

from __future__ import annotations

from sim_instruments.faults.base import Scene, TwinFault
from sim_instruments.instruments.power_meter import SimulatedPowerMeter

__all__ = ["PathShifts", "ZeroShifts"]

SHIFT_DB = 0.4
# What a warm hand at a thermal sensor does; 0.2 dB at -12 dBm.
ZERO_SHIFT_MW = 0.003


class PathShifts(TwinFault):
    """A connector of the path from the device to a meter has been touched: a little more loss, for good."""

    NAME = "path-shifts"
    TELLS = "the path to the power meter, or to the analyser named, has 0.4 dB more loss from then on"
    PLACES = ("power meter", "spectrum analyser")

    def strike(self, scene: Scene, t: float) -> None:
        path = scene.channel.meters.get(scene.instrument.name)

        def act() -> None:
            if path is not None:
                path.extra_db += SHIFT_DB

        scene.world.alter(t, act)


class ZeroShifts(TwinFault):
    """The power meter's zero has moved; zeroing brings it back."""

    NAME = "zero-shifts"
    TELLS = "the power meter's zero moves by 3 uW, until it is zeroed"
    PLACES = ("power meter",)

    def strike(self, scene: Scene, t: float) -> None:
        meter = scene.instrument
        assert isinstance(meter, SimulatedPowerMeter), "PLACES says so"
        scene.world.alter(t, lambda: meter.shift_zero(ZERO_SHIFT_MW))
