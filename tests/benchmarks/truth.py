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
    "Key", "Tap", "by_key", "detector_error_truth", "harmonic_truth", "ladder_truth", "path_truth", "quiescent_truth",
    "s_parameter_truth", "tapped", "times_of", "two_tone_truth", "unpowered_truth",
]  # fmt: skip

Key = tuple[str, str]
"""Parameter and qualifier."""

CHANNEL = "A"
REFERENCE_LEVELS = 3


@dataclass
class Tap:
    """What was true, in the order in which it was looked at. Times are the world's. [s]"""

    world: World | None = None
    levels: list[tuple[float, Operating, float]] = field(default_factory=list)
    terminals: list[tuple[float, str, float, float]] = field(default_factory=list)
    sweeps: list[tuple[float, NDArray[np.float64], NDArray[np.complex128]]] = field(default_factory=list)

    @property
    def channel(self) -> DeviceChannel:
        assert self.world is not None
        return next(one for one in self.world.channels if one.name == CHANNEL)


@contextmanager
def tapped() -> Iterator[Tap]:
    """Every world made inside is looked at; it is changed by nothing."""
    tap = Tap()
    originals = {name: getattr(World, name) for name in ("spectrum_at", "supply_terminal", "network_at")}

    def spectrum_at(world: World, meter: str, t: float) -> Any:
        found = originals["spectrum_at"](world, meter, t)
        tap.world = world
        tap.levels.append((t, world.truth.operating(CHANNEL, t), world.truth.case_degc(t)))
        return found

    def supply_terminal(world: World, name: str, channel: int, t: float) -> Any:
        found = originals["supply_terminal"](world, name, channel, t)
        tap.world = world
        tap.terminals.append((t, name, found.voltage_v, found.current_a))
        return found

    def network_at(world: World, analyser: str, t: float, hz: NDArray[np.float64]) -> Any:
        tap.world = world
        channel, point = tap.channel, world.truth.operating(CHANNEL, t)
        if channel.fixture.what == "device" and channel.network is not None:
            level_dbm = channel.network.port.level_dbm(t)
            losses_db = np.array([channel.network.input_path.path.loss_db(one) for one in hz.tolist()])
            tap.sweeps.append((t, hz, device_scattering(channel, point, hz, level_dbm - losses_db)))
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
    found: dict[str, list[tuple[float, float]]] = {"drain_supply": [], "gate_supply": []}
    for begun in times_s:
        for supply, values in found.items():
            values.append(next((v, a) for t, name, v, a in tap.terminals if name == supply and t >= begun - 1e-6))
    return {
        "quiescent_current": float(np.mean([a for _, a in found["drain_supply"]])),
        "gate_voltage": float(np.mean([v for v, _ in found["gate_supply"]])),
    }


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


def harmonic_truth(tap: Tap, times_s: Sequence[float], drives_dbm: Sequence[float]) -> dict[Key, float]:
    """Harmonics at the drive that was asked for, whatever drive was there, and how far they are below the carrier. [s, dBm]"""
    found: dict[Key, float] = {}
    device = tap.channel.device
    for begun, drive in zip(times_s, drives_dbm, strict=True):
        point = next(point for t, point, _ in tap.levels if t >= begun - 1e-6)
        response = device.respond(point.frequency_hz, drive, point.drain_v, point.gate_v, point.channel_degc)
        for n, (_, level_dbm) in enumerate(device.harmonics(point.frequency_hz, response), start=2):
            qualifier = f"{drive:+.4g} dBm drive"
            found[f"harmonic_{n}", qualifier] = level_dbm
            found[f"harmonic_{n}_relative", qualifier] = level_dbm - response.output_dbm
    return found


def two_tone_truth(
    tap: Tap, times_s: Sequence[float], drives_dbm: Sequence[float], centre_hz: float, spacing_hz: float, *,
    p1db_dbm: float, back_off_db: float,
) -> dict[Key, float]:  # fmt: skip
    """
    Third-order intercept points, and slopes, of the lines at the device's own pin, over the drives in back-off from true P1dB.

    Of one side 2 f1 - f2: its level is 2 P1 + P2 - 2 OIP3, whatever the two tones are (cubic law). Both: mean tone in dB, mean
    product in power.
    """
    places = [centre_hz + k * spacing_hz / 2 for k in (-1, 1, -3, 3)]
    levels, drives = [], []
    for begun, drive in zip(times_s, drives_dbm, strict=True):
        tones = next(point.tones for t, point, _ in tap.levels if t >= begun - 1e-6)
        assert tones is not None
        found = [next(level for at, level in tones.lines if abs(at - hz) < 1.0) for hz in places]
        if 10 * np.log10(10 ** (found[0] / 10) + 10 ** (found[1] / 10)) <= p1db_dbm - back_off_db:
            levels.append(found)
            drives.append(drive)
    low, high, lower, upper = np.array(levels).T
    tone, product = (low + high) / 2, 10 * np.log10((10 ** (lower / 10) + 10 ** (upper / 10)) / 2)
    sides = {"lower": (2 * low + high - lower) / 2, "upper": (2 * high + low - upper) / 2}
    oip3 = float(np.mean(tone + (tone - product) / 2))
    means = {side: float(np.mean(values)) for side, values in sides.items()}
    qualifier = f"{back_off_db:g} dB back-off"
    return {
        ("oip3", qualifier): oip3,
        **{(f"oip3_{side}", qualifier): value for side, value in means.items()},
        ("oip3_worst", qualifier): min(means.values()),
        ("oip3_above_p1db", qualifier): oip3 - p1db_dbm,
        **{
            (f"im3_slope_{side}", qualifier): float(np.polyfit(drives, values, 1)[0])
            for side, values in (("lower", lower), ("upper", upper))
        },
    }


def path_truth(tap: Tap, parameter: str, path: str, hz: float) -> float:
    """Loss of a path, which rises with no level; a thru has no gain. [Hz, dB]"""
    assert tap.world is not None
    return tap.world.ports.paths[path].loss_db(hz) if parameter == "path_loss" else 0.0


def s_parameter_truth(tap: Tap, end_s: float) -> dict[str, float]:
    """Figures of the sweep that ended last before a time. [s]"""
    _, hz, s = max((one for one in tap.sweeps if one[0] <= end_s + 1e-6), key=lambda one: one[0])
    s11, s12, s21, s22 = s[:, 0, 0], s[:, 0, 1], s[:, 1, 0], s[:, 1, 1]
    db = {name: 20 * np.log10(np.abs(one)) for name, one in (("11", s11), ("12", s12), ("21", s21), ("22", s22))}
    delta, loop = s11 * s22 - s12 * s21, np.abs(s12 * s21)
    k = (1 - np.abs(s11) ** 2 - np.abs(s22) ** 2 + np.abs(delta) ** 2) / (2 * loop)
    mu = (1 - np.abs(s11) ** 2) / (np.abs(s22 - delta * s11.conj()) + loop)
    found = {
        "s21_minimum": db["21"].min(),
        "s21_flatness": np.ptp(db["21"]),
        "s21_slope": np.polyfit((hz - hz[0]) / (hz[-1] - hz[0]), db["21"], 1)[0],
        "input_return_loss": -db["11"].max(),
        "output_return_loss": -db["22"].max(),
        "input_vswr": ((1 + np.abs(s11)) / (1 - np.abs(s11))).max(),
        "output_vswr": ((1 + np.abs(s22)) / (1 - np.abs(s22))).max(),
        "reverse_isolation": -db["12"].max(),
        "stability_k": k.min(),
        "stability_mu": mu.min(),
    }
    if k.min() > 1:
        found["maximum_gain"] = (10 * np.log10(np.abs(s21 / s12) * (k - np.sqrt(k**2 - 1)))).min()
    delay = -np.gradient(np.unwrap(np.angle(s21)), 2 * np.pi * hz)
    found["group_delay"], found["group_delay_variation"] = delay.max(), np.ptp(delay)
    return {name: float(value) for name, value in found.items()}


def unpowered_truth(tap: Tap, end_s: float) -> dict[str, float]:
    """Figures of the sweep of the unpowered device that ended last before a time. [s]"""
    _, _, s = max((one for one in tap.sweeps if one[0] <= end_s + 1e-6), key=lambda one: one[0])
    size = np.abs(s).max(axis=0)
    found = {
        "unpowered_input_return_loss": -20 * np.log10(size[0, 0]),
        "unpowered_output_return_loss": -20 * np.log10(size[1, 1]),
        "unpowered_forward_isolation": -20 * np.log10(size[1, 0]),
        "unpowered_reverse_isolation": -20 * np.log10(size[0, 1]),
        "unpowered_input_vswr": (1 + size[0, 0]) / (1 - size[0, 0]),
        "unpowered_output_vswr": (1 + size[1, 1]) / (1 - size[1, 1]),
        "unpowered_reciprocity": np.abs(s[:, 1, 0] - s[:, 0, 1]).max(),
        "unpowered_passivity": np.linalg.svd(s, compute_uv=False).max(),
    }
    return {name: float(value) for name, value in found.items()}


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
