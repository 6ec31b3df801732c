"""True levels of lines at the device's own pin, and what harmonics, searches and intercept points come to by them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tests.benchmarks.truth import Key, Tap

__all__ = ["harmonic_truth", "search_truth", "two_tone_truth"]


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


def search_truth(tap: Tap, times_s: Sequence[float], drives_dbm: Sequence[float], mask_dbm: float) -> dict[Key, float]:
    """
    The strongest line but the carrier, at the drive that was asked for, and how far it is below a level mask. [s, dBm]

    The twin's device makes no other lines than harmonics.
    """
    found: dict[Key, float] = {}
    levels = harmonic_truth(tap, times_s, drives_dbm)
    for qualifier in dict.fromkeys(qualifier for _, qualifier in levels):
        strongest = max((name for name, at in levels if at == qualifier and not name.endswith("relative")), key=lambda name: (
            levels[name, qualifier]
        ))  # fmt: skip
        found["spurious_level", qualifier] = levels[strongest, qualifier]
        found["spurious_relative", qualifier] = levels[f"{strongest}_relative", qualifier]
        found["spurious_margin", qualifier] = mask_dbm - levels[strongest, qualifier]
    return found


def two_tone_truth(
    tap: Tap, times_s: Sequence[float], drives_dbm: Sequence[float], centre_hz: float, spacing_hz: float, *,
    p1db_dbm: float, back_off_db: float, order: int = 3,
) -> dict[Key, float]:  # fmt: skip
    """
    Intercept points of order n = 2 k - 1, and slopes, of the lines at the device's own pin, over the drives in back-off from
    true P1dB.

    Of one side k f1 - (k - 1) f2: its level is k P1 + (k - 1) P2 - (n - 1) OIPn, whatever the two tones are (law of that
    order). Both: mean tone in dB, mean product in power.
    """
    k = (order + 1) // 2
    places = [centre_hz + at * spacing_hz / 2 for at in (-1, 1, -order, order)]
    levels, drives = [], []
    for begun, drive in zip(times_s, drives_dbm, strict=True):
        tones = next(point.tones for t, point, _ in tap.levels if t >= begun - 1e-6)
        assert tones is not None
        found = [next((level for at, level in tones.lines if abs(at - hz) < 1.0), np.nan) for hz in places]
        if 10 * np.log10(10 ** (found[0] / 10) + 10 ** (found[1] / 10)) <= p1db_dbm - back_off_db:
            levels.append(found)
            drives.append(drive)
    low, high, lower, upper = np.array(levels).T
    tone, product = (low + high) / 2, 10 * np.log10((10 ** (lower / 10) + 10 ** (upper / 10)) / 2)
    sides = {
        "lower": (k * low + (k - 1) * high - lower) / (order - 1), "upper": (k * high + (k - 1) * low - upper) / (order - 1)
    }  # fmt: skip
    both = float(np.mean(tone + (tone - product) / (order - 1)))
    means = {side: float(np.mean(values)) for side, values in sides.items()}
    qualifier = f"{back_off_db:g} dB back-off"
    return {
        (f"oip{order}", qualifier): both,
        **{(f"oip{order}_{side}", qualifier): value for side, value in means.items()},
        (f"oip{order}_worst", qualifier): min(means.values()),
        **({("oip3_above_p1db", qualifier): both - p1db_dbm} if order == 3 else {}),
        **{
            (f"im{order}_slope_{side}", qualifier): float(np.polyfit(drives, values, 1)[0])
            for side, values in (("lower", lower), ("upper", upper))
        },
    }
