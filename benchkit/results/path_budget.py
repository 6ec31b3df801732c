"""
Loss of a path from power readings, and what makes it uncertain. Pure.

With the sensor moved from plane to plane and the source left as it is, what is wrong with both is in every reading alike and
cancels in a difference at one frequency: of the meter its linearity is left, of the source what repeated readings show. What
is counted once and what twice follows from the measurement equation, here at each function (JCGM 100, 4.1.1 and 5.1.2, F.1.2).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from benchkit.results.path_lines import (
    PowerAccuracy,
    adapter_loss,
    connected,
    each_reading,
    half_step,
    mismatched,
    same_meter,
    twice_within,
    within,
)
from benchkit.results.uncertainty import Contribution, standard_from_expanded

__all__ = [
    "SensorMatch",
    "Series",
    "device_to_analyser",
    "device_to_meter",
    "levels_apart",
    "pooled",
    "source_to_device",
    "thru_gain",
]


@dataclass(frozen=True)
class SensorMatch:
    """
    Return losses of the sensor (its adapter with it), of the source, and looking into the analyser's end of its cable; None: not
    stated. [dB]
    """

    sensor_db: float | None = None
    source_db: float | None = None
    analyser_cable_db: float | None = None


@dataclass(frozen=True)
class Series:
    """
    Repeated readings with one thing connected.

    Attributes:
        mean_dbm: Shape (frequencies, levels). [dBm]
        scatter_db: Standard deviation of one reading, pooled over the frequencies, shape (levels,). [dB]
        count: Readings at each frequency and level.
        degrees_of_freedom: Of the scatter.
    """

    mean_dbm: NDArray[np.float64]
    scatter_db: NDArray[np.float64]
    count: int
    degrees_of_freedom: int

    def noise(self, name: str, level: int) -> Contribution:
        """Of the mean (JCGM 100, 4.2.3)."""
        return Contribution(name, float(self.scatter_db[level]) / math.sqrt(self.count), 1.0, self.degrees_of_freedom)


def pooled(readings_dbm: NDArray[np.float64]) -> Series:
    """
    Scatter is taken as one at all frequencies: a few readings at each say little, all of them together much (JCGM 100, 4.2.4).

    Args:
        readings_dbm: Finite, shape (repeats, frequencies, levels), two repeats or more. [dBm]

    Raises:
        ValueError: Fewer, or not finite.
    """
    readings = np.asarray(readings_dbm, dtype=np.float64)
    if readings.ndim != 3 or readings.shape[0] < 2 or not np.isfinite(readings).all():
        raise ValueError(f"expected two finite readings or more of each frequency and level, not shape {readings.shape}")
    count, frequencies, _ = readings.shape
    variance = np.var(readings, axis=0, ddof=1).mean(axis=0)
    return Series(readings.mean(axis=0), np.sqrt(variance), count, (count - 1) * frequencies)


def source_to_device(
    accuracy: PowerAccuracy, match: SensorMatch, plane: Series, at_source: Series | None, adapter: tuple[float, float],
    source_set_dbm: float, where: tuple[int, int], connector_db: float | None,
) -> tuple[float, tuple[Contribution, ...]]:  # fmt: skip
    """
    Loss from the source's connector to the device's input, and its budget. [dB]

    Against the source's setting S it is S - (M_plane + A): errors of source, meter and adapter are all in it. Against the same
    sensor at the source it is (M_source + A) - (M_plane + A): the adapter is gone, and of the meter its linearity is left.

    Args:
        adapter: Loss A, and its expanded uncertainty. [dB]
        where: Row and column of the frequency and the level.
        connector_db: Limit of error through connecting something once; None: not stated. [dB]
    """
    read_dbm = float(plane.mean_dbm[where])
    lines = list(each_reading(accuracy, read_dbm, "at the device's plane"))
    lines.append(plane.noise("scatter at the device's plane", where[1]))
    lines += mismatched("mismatch of sensor and input path", match.sensor_db, accuracy.input_return_loss_db, accuracy.convention)
    connections = 1
    if at_source is None:
        loss_db = source_set_dbm - (read_dbm + adapter[0])
        lines.append(within("source's level accuracy", accuracy.source_db))
        lines += half_step("source's resolution", accuracy.source_resolution_db)
        lines.append(within("power meter's accuracy", accuracy.meter_db))
        lines += adapter_loss(adapter[1])
    else:
        source_dbm = float(at_source.mean_dbm[where])
        loss_db = source_dbm - read_dbm
        connections = 2
        lines += each_reading(accuracy, source_dbm, "at the source")
        lines.append(at_source.noise("scatter at the source", where[1]))
        lines.append(same_meter(accuracy))
        lines += mismatched("mismatch of sensor and source", match.sensor_db, match.source_db, accuracy.convention)
    return loss_db, (*lines, *connected(connector_db, connections))


def device_to_meter(
    accuracy: PowerAccuracy, match: SensorMatch, plane: Series, thru: Series, adapter: tuple[float, float],
    where: tuple[int, int], connector_db: float | None,
) -> tuple[float, tuple[Contribution, ...]]:  # fmt: skip
    """
    Loss from the device's output to the power meter's own place, and its budget. [dB]

    The total less source-to-plane, (S - M_thru) - (S - M_plane - A) = M_plane + A - M_thru: the source's level is gone, whatever
    it was, and of the one meter that read both its linearity is left.
    """
    less_db, lines = _behind_thru(accuracy, match, plane, thru, where, "behind the thru")
    return less_db + adapter[0], (*lines, *adapter_loss(adapter[1]), *connected(connector_db, 2))


def device_to_analyser(
    accuracy: PowerAccuracy, match: SensorMatch, plane: Series, behind: Series, where: tuple[int, int],
    connector_db: float | None,
) -> tuple[float, tuple[Contribution, ...]]:  # fmt: skip
    """
    Loss from the device's output to the analyser's connector, and its budget. [dB]

    As `device_to_meter`, with the sensor at the analyser's end of its cable. It wears its adapter there as at the device's plane,
    (M_plane + A) - (M_behind + A): the adapter is gone, and the analyser, which read nothing, has no part in it. What is
    connected a third time is the cable, to the analyser again.
    """
    less_db, lines = _behind_thru(accuracy, match, plane, behind, where, "at the analyser's cable")
    cable = mismatched("mismatch of sensor and analyser's cable", match.sensor_db, match.analyser_cable_db, accuracy.convention)
    return less_db, (*lines, *cable, *connected(connector_db, 3))


def _behind_thru(
    accuracy: PowerAccuracy, match: SensorMatch, plane: Series, behind: Series, where: tuple[int, int], place: str
) -> tuple[float, list[Contribution]]:
    """The level at the device's plane less the one at a place behind the thru, both read by the one meter. [dB]"""
    plane_dbm, behind_dbm = float(plane.mean_dbm[where]), float(behind.mean_dbm[where])
    return plane_dbm - behind_dbm, [
        *each_reading(accuracy, plane_dbm, "at the device's plane"),
        plane.noise("scatter at the device's plane", where[1]),
        *each_reading(accuracy, behind_dbm, place),
        behind.noise(f"scatter {place}", where[1]),
        same_meter(accuracy),
        *mismatched("mismatch of sensor and input path", match.sensor_db, accuracy.input_return_loss_db, accuracy.convention),
        *mismatched(
            "mismatch of both paths at the thru", accuracy.input_return_loss_db, accuracy.output_return_loss_db,
            accuracy.convention,
        ),
    ]  # fmt: skip


def levels_apart(
    accuracy: PowerAccuracy, series: Series, row: int, set_dbm: Sequence[float]
) -> tuple[float, tuple[Contribution, ...]]:
    """
    How much more a path loses at the highest level than at the lowest, by one series, and its budget. [dB]

    Everything that is the same at both levels cancels: adapter, mismatch, what was connected; of source and meter their
    linearity is left.
    """
    low, high = 0, len(set_dbm) - 1
    read = series.mean_dbm[row]
    source_db = accuracy.source_linearity_db
    lines = [
        *each_reading(accuracy, float(read[low]), "at the lowest level"),
        *each_reading(accuracy, float(read[high]), "at the highest level"),
        series.noise("scatter at the lowest level", low),
        series.noise("scatter at the highest level", high),
        same_meter(accuracy),
        within("source's linearity", source_db)
        if source_db is not None
        else twice_within("source's accuracy at two levels", accuracy.source_db),
    ]
    return (set_dbm[high] - set_dbm[low]) - float(read[high] - read[low]), tuple(lines)


def thru_gain(
    accuracy: PowerAccuracy, input_expanded_db: float, output_expanded_db: float, thru: Series, where: tuple[int, int]
) -> tuple[Contribution, ...]:
    """
    Budget of the gain of a thru by both path tables, M_thru + L_out - (S - L_in). [dB]

    Tables that were measured with this source and this meter have their errors in them, which then cancel; a table does not say
    so, and they count here: too much rather than too little.

    Args:
        input_expanded_db, output_expanded_db: Expanded uncertainties of both tables. [dB]
    """
    return (
        within("source's level accuracy", accuracy.source_db),
        *half_step("source's resolution", accuracy.source_resolution_db),
        Contribution("input path's loss", standard_from_expanded(input_expanded_db)),
        Contribution("output path's loss", standard_from_expanded(output_expanded_db)),
        within("power meter's accuracy", accuracy.meter_db),
        *each_reading(accuracy, float(thru.mean_dbm[where]), "behind the thru"),
        thru.noise("scatter of the readings", where[1]),
        *mismatched(
            "mismatch of both paths at the thru", accuracy.input_return_loss_db, accuracy.output_return_loss_db,
            accuracy.convention,
        ),
    )  # fmt: skip
