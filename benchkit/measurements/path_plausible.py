"""
Whether the sensor was where it was asked for, by what it read: a table of the wrong thing is worse than none. Pure.

Refused is only what no path that was asked for can do; a path that has merely changed is what is to be found out, and is noted.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from benchkit.bench.paths import LossPath
from benchkit.quantities.format import format_quantity
from benchkit.results.path_budget import Series
from benchkit.results.path_lines import PowerAccuracy

__all__ = ["alike", "another", "changed", "confused", "doubt", "implausible_at_source", "implausible_loss", "repeated"]

Floats = NDArray[np.float64]

# Mismatch of sensor and source where it is not stated: return losses of 20 dB and 14 dB make 0.35 dB at the worst.
SLACK_DB = 0.5
# No path gets so much worse and is still one; the sensor is elsewhere, or the part is where the thru should be.
UNLIKELY_DB = 10.0
# A path that ages or is a little loose changes by less; a table that is no surer than this is a guess.
FAR_DB = 1.0
# A path that is known to lose this does not lose nothing all at once; nor is a step of this size no step to a meter.
SURELY_LOSES_DB = 1.0


def implausible_at_source(
    read_dbm: Floats, set_dbm: float, adapter_db: Floats, accuracy: PowerAccuracy, frequencies_hz: Sequence[float],
    feed: str, source: str,
) -> str:  # fmt: skip
    """
    Against the level set, with all that source and meter may be off by; "" when it may be so.

    It is the last that is read of a source: a level that jumped in any series before is found here.

    Args:
        read_dbm, adapter_db: At each frequency, shape (n,). [dBm, dB]
    """
    off_db = read_dbm + adapter_db - set_dbm
    limit_db = accuracy.source_db + accuracy.meter_db + SLACK_DB
    worst = int(np.argmax(np.abs(off_db)))
    if abs(off_db[worst]) <= limit_db:
        return ""
    return (
        f"at the {feed}'s connector {read_dbm[worst]:.2f} dBm were read at {_hz(frequencies_hz[worst])} with {set_dbm:g} dBm "
        f"set, {off_db[worst]:+.2f} dB off, where source, meter and mismatch make {limit_db:.2f} dB at the worst: is the sensor "
        f"there, and nothing between but its adapter? Else the level of {source} has jumped, and what was read before is no table"
    )


def implausible_loss(
    loss_db: Floats, expanded_db: Floats, path: LossPath, *, has_amplifier: bool, frequencies_hz: Sequence[float]
) -> str:
    """
    Against what a path can do at all, and against the bench file's table, however rough; "" when it may be so.

    Args:
        loss_db, expanded_db: At each frequency, shape (n,). [dB]
        has_amplifier: The bench file states a saturated output of the path.
    """
    table_db, table_u_db = _table(path, frequencies_hz)
    gain = int(np.argmin(loss_db + expanded_db))
    if not has_amplifier and loss_db[gain] + expanded_db[gain] < 0:
        return (
            f"path {path.name} has {-loss_db[gain]:.2f} dB of gain at {_hz(frequencies_hz[gain])} (U {expanded_db[gain]:.2f} "
            f"dB), and no amplifier by the bench file (paths.{path.name}.saturated_power_max): was the sensor moved?"
        )
    surely_db = np.abs(table_db) - table_u_db
    if bool((np.abs(loss_db) <= expanded_db).all()) and float(surely_db.min()) > SURELY_LOSES_DB:
        return (
            f"path {path.name} loses nothing that could be seen, {loss_db.min():+.3f} dB to {loss_db.max():+.3f} dB, and by its "
            f"table ({path.source}) {table_db.min():.2f} dB to {table_db.max():.2f} dB: was the sensor moved?"
        )
    worst, beyond_db, *_ = _furthest(loss_db, expanded_db, path, frequencies_hz)
    if beyond_db > UNLIKELY_DB:
        return (
            f"path {path.name} loses {loss_db[worst]:.2f} dB at {_hz(frequencies_hz[worst])}, and by its table ({path.source}) "
            f"{table_db[worst]:.2f} dB: is the sensor where it was asked for, and a thru in place of the device? If the path is "
            "another one now, give it a rough fixed loss in the bench file, such as loss: 20 dB, uncertainty: 10 dB"
        )
    return ""


def confused(loss_db: Floats, expanded_db: Floats, path: LossPath, other: LossPath, frequencies_hz: Sequence[float]) -> str:
    """
    Against the table of the other path from the same plane, where the sensor may be instead; "" when it may be so.

    Refused is what is the other path by its table at every frequency, and far from its own at every frequency; tables that lie
    so near each other that nobody could tell the two apart refuse nothing.
    """
    (own_db, own_u_db), (other_db, other_u_db) = _table(path, frequencies_hz), _table(other, frequencies_hz)
    is_other = bool((np.abs(loss_db - other_db) <= expanded_db + other_u_db).all())
    beyond_db = np.abs(loss_db - own_db) - expanded_db - own_u_db
    if not is_other or float(beyond_db.min()) <= SURELY_LOSES_DB:
        return ""
    worst = int(np.argmax(beyond_db))
    return (
        f"path {path.name} loses {loss_db[worst]:.2f} dB at {_hz(frequencies_hz[worst])}, and by its table ({path.source}) "
        f"{own_db[worst]:.2f} dB; it loses at every frequency what path {other.name} does ({other.source}, "
        f"{other_db[worst]:.2f} dB there): is the sensor at the end of that one? If {path.name} is like it now, give it a rough "
        "fixed loss in the bench file, such as loss: 20 dB, uncertainty: 10 dB"
    )


def alike(one: Series, other: Series, adapter_db: Floats) -> bool:
    """
    Whether two series differ by no more than readings of one and the same thing do, at every frequency; with the adapter on both
    times, or once.

    Args:
        adapter_db: At each frequency, shape (n,). [dB]
    """
    apart_db = other.mean_dbm[:, 0] - one.mean_dbm[:, 0]
    u_db = np.hypot(one.scatter_db[0] / np.sqrt(one.count), other.scatter_db[0] / np.sqrt(other.count))
    return any(bool((np.abs(apart_db - taken_db) <= 4.0 * u_db).all()) for taken_db in (0.0, adapter_db))


def repeated(read_dbm: Floats, set_dbm: Sequence[float], frequencies_hz: Sequence[float], meter: str) -> str:
    """
    Whether a meter that hangs repeats itself: the same reading to the last digit at the lowest and at the highest level, at one
    frequency or from one to the next; "" when not. One level alone, or levels too near each other, tell nothing.

    Args:
        read_dbm: In the order in which it was read, shape (repeats, frequencies, levels). [dBm]
    """
    if set_dbm[-1] - set_dbm[0] < SURELY_LOSES_DB:
        return ""
    # From a frequency's highest level to the lowest of the next, and from its lowest to its highest.
    ends = read_dbm[:, :, [0, -1]].reshape(-1)
    same = np.flatnonzero(ends[1:] == ends[:-1])
    if not same.size:
        return ""
    where = _hz(frequencies_hz[int(same[0]) // 2 % len(frequencies_hz)])
    return (
        f"{meter} reads {ends[same[0]]:.3f} dBm to the last digit at {set_dbm[0]:g} dBm and at {set_dbm[-1]:g} dBm set, from "
        f"{where} on: it repeats itself, or the sensor is not where it was asked for."
    )


def changed(loss_db: Floats, expanded_db: Floats, path: LossPath, frequencies_hz: Sequence[float]) -> str:
    """In words where both, with their uncertainties, do not agree worst; "" where they do."""
    table_db, table_u_db = _table(path, frequencies_hz)
    # Independent of each other as far as anybody says: En number, ISO 13528.
    en = np.abs(loss_db - table_db) / np.hypot(expanded_db, table_u_db)
    worst = int(np.argmax(en))
    if not en[worst] > 1.0:
        return ""
    return (
        f"{path.name} loses {loss_db[worst]:.2f} dB at {_hz(frequencies_hz[worst])} (U {expanded_db[worst]:.2f} dB), and by the "
        f"table in use {table_db[worst]:.2f} dB (U {table_u_db[worst]:.2f} dB); En {en[worst]:.1f}, beyond 1 at "
        f"{int((en > 1.0).sum())} of {en.size} frequencies"
    )


def another(loss_db: Floats, expanded_db: Floats, path: LossPath, frequencies_hz: Sequence[float], source: str) -> str:
    """
    Where nothing proves that the source's level stayed: whether a path is further from its table than one that ages; "" when
    not. A table that states a large uncertainty is a rough guess, and refuses nothing here.
    """
    worst, beyond_db, table_db, table_u_db = _furthest(loss_db, expanded_db, path, frequencies_hz)
    if not beyond_db > FAR_DB or table_u_db > FAR_DB:
        return ""
    return (
        f"path {path.name} loses {loss_db[worst]:.2f} dB at {_hz(frequencies_hz[worst])} (U {expanded_db[worst]:.2g} dB), and by "
        f"its table ({path.source}) {table_db:.2f} dB (U {table_u_db:.2g} dB), {beyond_db:.2f} dB beyond both; a level of "
        f"{source} that jumped looks the same, and nothing here tells the two apart. Measure its source's path as well, with "
        "reference: sensor: it reads the source at its own connector last. Or, if the path is another one now, give it a rough "
        "fixed loss in the bench file, such as loss: 20 dB, uncertainty: 10 dB"
    )


def doubt(loss_db: Floats, expanded_db: Floats, path: LossPath, frequencies_hz: Sequence[float]) -> str:
    """What is to be said beside each number of a path that is far from its table; "" when it is not."""
    worst, beyond_db, table_db, table_u_db = _furthest(loss_db, expanded_db, path, frequencies_hz)
    if not beyond_db > FAR_DB:
        return ""
    return (
        f"not as by the table in use: {loss_db[worst]:.2f} dB at {_hz(frequencies_hz[worst])} (U {expanded_db[worst]:.2g} dB), "
        f"there {table_db:.2f} dB (U {table_u_db:.2g} dB)"
    )


def _furthest(
    loss_db: Floats, expanded_db: Floats, path: LossPath, frequencies_hz: Sequence[float]
) -> tuple[int, float, float, float]:
    """Where a path is furthest beyond both uncertainties: row, by how much, and what its table says there. [dB]"""
    table_db, table_u_db = _table(path, frequencies_hz)
    beyond_db = np.abs(loss_db - table_db) - expanded_db - table_u_db
    worst = int(np.argmax(beyond_db))
    return worst, float(beyond_db[worst]), float(table_db[worst]), float(table_u_db[worst])


def _table(path: LossPath, frequencies_hz: Sequence[float]) -> tuple[Floats, Floats]:
    """Losses by the table in use, and their expanded uncertainties. [dB]"""
    return np.array([path.loss_db(hz) for hz in frequencies_hz]), np.array([path.uncertainty_db(hz) for hz in frequencies_hz])


def _hz(value: float) -> str:
    return format_quantity(value, "Hz", 9)
