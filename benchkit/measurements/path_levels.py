"""
Whether a series of readings is one: a source's level the same in every walk, its levels as far apart as they were set. Pure.

A level that jumps by itself makes of one path another, and its uncertainty as small as a right one's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchkit.quantities.format import format_quantity
from benchkit.results.path_budget import Series, levels_apart
from benchkit.results.path_lines import PowerAccuracy, each_reading
from benchkit.results.uncertainty import Budget

__all__ = ["moved", "spaced_apart", "spaced_wrongly"]

Floats = NDArray[np.float64]

# Common practice, no source: what connectors and a source that is set anew make of a repeated reading, seldom more.
REPEATS_DB = 0.3
# Six standard deviations of a difference of two readings.
FAR = 6.0
# A source's and a meter's linearity are hundredths of a decibel; a decibel beyond U is neither.
SPACING_DB = 1.0


def moved(read_dbm: Floats, set_dbm: Sequence[float], frequencies_hz: Sequence[float], accuracy: PowerAccuracy) -> str:
    """
    Whether repeats of one reading differ by more than noise, resolution and zero explain; "" when not.

    Args:
        read_dbm: In the order in which it was read, shape (repeats, frequencies, levels). [dBm]
    """
    apart_db = read_dbm.max(axis=0) - read_dbm.min(axis=0)
    weakest_dbm = read_dbm.min(axis=0)
    limit_db = np.vectorize(lambda level_dbm: _explained_db(accuracy, level_dbm), otypes=[np.float64])(weakest_dbm)
    # `~(... <=)` refuses NaN too.
    if not (~(apart_db <= limit_db)).any():
        return ""
    row, column = (int(at) for at in np.unravel_index(int(np.argmax(apart_db - limit_db)), apart_db.shape))
    one = read_dbm[:, row, column]
    first = int(np.argmax(np.abs(np.diff(one)))) + 1
    return (
        f"at {_hz(frequencies_hz[row])} and {set_dbm[column]:g} dBm set {one[first - 1]:.2f} dBm were read, and "
        f"{one[first]:.2f} dBm in walk {first + 1} of {one.size}; repeats lie {apart_db[row, column]:.2f} dB apart, where noise, "
        f"resolution and connectors explain {limit_db[row, column]:.2f} dB: has the source's level jumped, or a connector moved"
    )


def spaced_wrongly(
    accuracy: PowerAccuracy, series: Series, set_dbm: Sequence[float], frequencies_hz: Sequence[float], where: str, *,
    has_amplifier: bool,
) -> str:  # fmt: skip
    """
    Whether levels were read further apart than they were set, or nearer than a path can bring them; "" when not.

    Args:
        has_amplifier: Somewhere on the way, which may compress; yet what is set higher is not read lower behind it.
    """
    for row, hz in enumerate(frequencies_hz):
        for low in range(len(set_dbm) - 1):
            two, levels = slice(low, low + 2), set_dbm[low : low + 2]
            pair = replace(series, mean_dbm=series.mean_dbm[:, two], scatter_db=series.scatter_db[two])
            nearer_db, lines = levels_apart(accuracy, pair, row, levels)
            limit_db = SPACING_DB + Budget(lines).expanded
            apart_db = levels[1] - levels[0]
            if -limit_db <= nearer_db <= (apart_db if has_amplifier else 0.0) + limit_db:
                continue
            why = "which no path does" if nearer_db < 0 or has_amplifier else "which a path without an amplifier does not"
            return (
                f"{where} {levels[0]:g} dBm and {levels[1]:g} dBm set, {apart_db:g} dB apart, were read "
                f"{apart_db - nearer_db:.2f} dB apart at {_hz(hz)}, {why} (more than {limit_db:.2f} "
                "dB off): has the source's level jumped?"
            )
    return ""


def spaced_apart(
    accuracy: PowerAccuracy, plane: Series, behind: Series, set_dbm: Sequence[float], frequencies_hz: Sequence[float], where: str
) -> str:
    """Whether behind a path without an amplifier the highest level is otherwise above the lowest than before it; "" when not."""
    for row, hz in enumerate(frequencies_hz if len(set_dbm) > 1 else ()):
        (before_db, lines), (after_db, more) = (levels_apart(accuracy, series, row, set_dbm) for series in (plane, behind))
        limit_db = SPACING_DB + Budget((*lines, *more)).expanded
        if not abs(after_db - before_db) <= limit_db:
            apart_db = set_dbm[-1] - set_dbm[0]
            return (
                f"{set_dbm[0]:g} dBm and {set_dbm[-1]:g} dBm set were read {apart_db - before_db:.2f} dB apart at the device's "
                f"plane and {apart_db - after_db:.2f} dB {where} at {_hz(hz)}, which a path without an amplifier does not (more "
                f"than {limit_db:.2f} dB): has the source's level jumped?"
            )
    return ""


def _explained_db(accuracy: PowerAccuracy, read_dbm: float) -> float:
    """How far apart two readings of one thing may be. [dB]"""
    own_db = math.hypot(accuracy.noise_db or 0.0, *(line.amount for line in each_reading(accuracy, read_dbm, "")))
    return max(REPEATS_DB, FAR * math.sqrt(2.0) * own_db)


def _hz(value: float) -> str:
    return format_quantity(value, "Hz", 9)
