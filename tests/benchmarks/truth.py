"""
True values of what a rehearsal reports, read from the twin's device model: no instrument, no path, nothing of benchkit's sums.

A tap notes what the world truly was whenever an instrument looked at it. From there the device is asked again, without noise, and
the figures are found by means of their own (a root of the device's own curve, numpy, textbook formulas).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.optimize import brentq

from sim_instruments.physics.channel import DeviceChannel, Operating
from sim_instruments.physics.network_sweep import device_scattering
from sim_instruments.world import World

__all__ = [
    "Key", "Tap", "by_key", "detector_error_truth", "ladder_truth", "path_truth", "quiescent_truth", "tapped", "times_of",
]  # fmt: skip

Key = tuple[str, str]
"""Parameter and qualifier."""

REFERENCE_LEVELS = 3


@dataclass
class Tap:
    """What was true of one channel, in the order in which it was looked at. Times are the world's. [s]"""

    name: str = "A"
    world: World | None = None
    levels: list[tuple[float, Operating, float]] = field(default_factory=list)
    terminals: list[tuple[float, str, int, float, float]] = field(default_factory=list)
    sweeps: list[tuple[float, NDArray[np.float64], NDArray[np.complex128]]] = field(default_factory=list)

    @property
    def channel(self) -> DeviceChannel:
        assert self.world is not None
        return next(one for one in self.world.channels if one.name == self.name)


@contextmanager
def tapped(channel: str = "A") -> Iterator[Tap]:
    """Every world made inside is looked at; it is changed by nothing."""
    tap = Tap(channel)
    originals = {name: getattr(World, name) for name in ("spectrum_at", "supply_terminal", "network_at")}

    def spectrum_at(world: World, meter: str, t: float) -> Any:
        found = originals["spectrum_at"](world, meter, t)
        tap.world = world
        tap.levels.append((t, world.truth.operating(channel, t), world.truth.case_degc(t)))
        return found

    def supply_terminal(world: World, name: str, output: int, t: float) -> Any:
        found = originals["supply_terminal"](world, name, output, t)
        tap.world = world
        tap.terminals.append((t, name, output, found.voltage_v, found.current_a))
        return found

    def network_at(world: World, analyser: str, t: float, hz: NDArray[np.float64]) -> Any:
        tap.world = world
        own, point = tap.channel, world.truth.operating(channel, t)
        if own.fixture.what == "device" and own.network is not None and own.network.is_connected():
            level_dbm = own.network.port.level_dbm(t)
            losses_db = np.array([own.network.input_path.path.loss_db(one) for one in hz.tolist()])
            tap.sweeps.append((t, hz, device_scattering(own, point, hz, level_dbm - losses_db)))
        return originals["network_at"](world, analyser, t, hz)

    for name, replacement in (("spectrum_at", spectrum_at), ("supply_terminal", supply_terminal), ("network_at", network_at)):
        setattr(World, name, replacement)
    try:
        yield tap
    finally:
        for name, original in originals.items():
            setattr(World, name, original)


def quiescent_truth(tap: Tap, times_s: Sequence[float]) -> dict[str, float]:
    """Mean true current and gate voltage at readings that began at these times. [s]"""
    ports = {(one.name, one.channel): one for one in (tap.channel.drain, tap.channel.gate)}
    found: dict[tuple[str, int], list[tuple[float, float]]] = {place: [] for place in ports}
    for begun in times_s:
        for place, values in found.items():
            values.append(
                next((v, a) for t, name, output, v, a in tap.terminals if (name, output) == place and t >= begun - 1e-6)
            )
    drain, gate = found.values()
    return {"quiescent_current": float(np.mean([a for _, a in drain])), "gate_voltage": float(np.mean([v for v, _ in gate]))}


def ladder_truth(tap: Tap, times_s: Sequence[float], compressions_db: Sequence[float], back_offs_db: Sequence[float]) -> dict[
    tuple[str, str], float
]:  # fmt: skip
    """Figures of one ladder whose readings began at these times, by parameter and qualifier. [s, dB]"""
    seen = [next((point, case) for t, point, case in tap.levels if t >= begun - 1e-6) for begun in times_s]
    points, cases = [point for point, _ in seen], [case for _, case in seen]
    x = np.array([point.input_dbm for point in points])
    volts, gates, degc = (np.array([getattr(p, name) for p in points]) for name in ("drain_v", "gate_v", "channel_degc"))
    device, hz = tap.channel.device, points[0].frequency_hz

    def respond(input_dbm: float) -> Any:
        bias = (float(np.interp(input_dbm, x, column)) for column in (volts, gates, degc))
        return device.respond(hz, input_dbm, *bias)

    output = np.array([respond(level).output_dbm for level in x.tolist()])
    gain = output - x
    reference = float(gain[:REFERENCE_LEVELS].mean())
    found = {("small_signal_gain", ""): reference, ("gain_expansion", ""): max(0.0, float(gain.max()) - reference),
             ("saturated_power", ""): float(output.max())}  # fmt: skip

    def efficiency(where: str, qualifier: str, level: float) -> None:
        response = respond(level)
        dc_mw = 1e3 * float(np.interp(level, x, volts)) * response.drain_current_a
        out_mw, in_mw = 10 ** (response.output_dbm / 10), 10 ** (level / 10)
        found[f"drain_efficiency_{where}", qualifier] = 100 * out_mw / dc_mw
        found[f"pae_{where}", qualifier] = 100 * (out_mw - in_mw) / dc_mw

    for compression in compressions_db:
        if reference - gain[-1] < compression:
            continue
        level = _root(lambda p, c=compression: respond(p).output_dbm - p - reference + c, x)
        out = respond(level).output_dbm
        if compression != 1.0:
            found["output_at_compression", f"{compression:g} dB compression"] = out
            continue
        found["p1db", ""], found["input_p1db", ""] = out, level
        found["drain_current_p1db", ""] = respond(level).drain_current_a
        efficiency("p1db", "", level)
        for back_off in back_offs_db:
            if out - back_off > output[0]:
                below = _root(lambda p, b=back_off, o=out: respond(p).output_dbm - o + b, x)
                efficiency("back_off", f"{back_off:g} dB back-off", below)
    detector = tap.channel.detector
    level_v = [
        detector.difference_v(hz, out, point.drain_v, case) for out, point, case in zip(output, points, cases, strict=True)
    ]
    slope, offset = np.polyfit(output / 10, np.log10(level_v), 1)
    found["detector_slope", ""], found["detector_intercept", ""] = float(slope), float(-10 * offset / slope)
    return found


def detector_error_truth(tap: Tap, room_s: Sequence[float], other_s: Sequence[float]) -> float:
    """Largest error, over the voltages of both, of reading one ladder's output power by the law of the other's. [s, dB]"""
    (room, room_v), (output, volts) = _detected(tap, room_s), _detected(tap, other_s)
    slope, offset = np.polyfit(room / 10, np.log10(room_v), 1)
    inside = (volts >= room_v.min()) & (volts <= room_v.max())
    return float(np.abs(10 * (np.log10(volts[inside]) - offset) / slope - output[inside]).max())


def _detected(tap: Tap, times_s: Sequence[float]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """True output powers of one ladder, and the detector's differences there. [dBm, V]"""
    detector = tap.channel.detector
    seen = [next((point, case) for t, point, case in tap.levels if t >= begun - 1e-6) for begun in times_s]
    output = [point.response.output_dbm for point, _ in seen]
    volts = [detector.difference_v(p.frequency_hz, p.response.output_dbm, p.drain_v, case) for p, case in seen]
    return np.array(output), np.array(volts)


def path_truth(tap: Tap, parameter: str, path: str, hz: float) -> float:
    """Loss of a path, which rises with no level; a thru has no gain. [Hz, dB]"""
    assert tap.world is not None
    return tap.world.ports.paths[path].loss_db(hz) if parameter == "path_loss" else 0.0


def _root(difference: Callable[[float], float], x: NDArray[np.float64]) -> float:
    """Where a falling or rising curve last changes its sign."""
    values = np.array([difference(level) for level in x.tolist()])
    last = int(np.flatnonzero(np.sign(values[:-1]) != np.sign(values[1:]))[-1])
    return float(brentq(difference, float(x[last]), float(x[last + 1]), xtol=1e-10))


def times_of(points: pd.DataFrame, epoch_s: float) -> list[float]:
    """When the rows' instruments were armed, in the world's time. [s]"""
    return [float(one) - epoch_s for one in points["time_s"]]


def by_key(found: Mapping[str, float]) -> dict[tuple[str, str], float]:
    """Without a qualifier."""
    return {(name, ""): value for name, value in found.items()}
