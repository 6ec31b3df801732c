"""
One file at a glance: the root's attributes and a few small columns, by HDF5's own calls.

Record.open() reads texts, tables and the journal, for whoever wants to work with a record; here a folder of thousands is
waiting. What is read and under which names is the promise of record/FORMAT.md.
"""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from benchkit.catalogue.entry import Entry
from benchkit.errors import FormatError
from benchkit.record import Record
from benchkit.record.layout import SERVED, is_simulated

__all__ = ["glance"]

KIND = "benchkit record"
VERSIONS = (1,)


def glance(path: Path, name: str) -> Entry:
    """
    Never raises for what is in the file: a file that can't be read is an entry that says why.

    Args:
        path: The file.
        name: As the catalogue shows it.
    """
    try:
        return _read(path, name)
    except FormatError as error:
        return Entry(name, trouble=str(error))
    except PermissionError as error:
        return Entry(name, trouble=f"can't be read: {error.strerror}")
    except (OSError, KeyError, ValueError, RuntimeError, TypeError, UnicodeError) as error:
        # h5py's own errors for damage are of all these classes.
        return Entry(name, trouble=_why_not(path, error))


def _read(path: Path, name: str) -> Entry:
    with path.open("rb"):
        pass  # a plain reason (no permission, gone) before HDF5's long one
    with h5py.File(path, "r") as h5:
        root = _Attributes(h5)
        if root.text("kind") != KIND:
            return Entry(name, trouble="not a record of benchkit")
        if root.number("version") not in VERSIONS:
            return Entry(name, trouble=f"a record of version {root.number('version'):g}; this benchkit reads {list(VERSIONS)}")
        is_sealed = root.text("state") == "sealed"
        if is_sealed:
            points, conditions = _rows_of(h5, "points"), _conditions_of(h5)
            verdicts = Counter(_texts(h5["verdicts"]["outcome"])) if "outcome" in h5["verdicts"] else Counter[str]()
        else:
            points, conditions, verdicts = *_growing(path), Counter[str]()
        started_s = root.number("started_s")
        origin = {name: value for name in ("simulated", SERVED) if (value := root.number(name)) is not None}
        return Entry(
            file=name,
            record_id=root.text("record_id"),
            part=root.text("part"),
            unit=root.text("unit"),
            sequence=root.text("sequence_name"),
            bench=root.text("bench_name"),
            operator=root.text("operator"),
            state="sealed" if is_sealed else "running or killed",
            started_s=root.number("created_s") if started_s is None else started_s,
            ended_s=root.number("ended_s"),
            outcome=root.text("outcome"),
            message=root.text("message"),
            temperatures_degc=conditions[0],
            channels=conditions[1],
            supply_voltages_v=conditions[2],
            points=points,
            planned_points=_whole(root.number("planned_points")),
            verdicts=dict(verdicts),
            simulated=is_simulated(origin),
        )


Conditions = tuple[tuple[float, ...], tuple[str, ...], tuple[float, ...]]


class _Attributes:
    """Attributes of the root, through the low-level calls: a tenth of the time, and there are dozens of thousands of them."""

    def __init__(self, h5: h5py.File) -> None:
        self._id = h5.id

    def _value(self, name: str) -> Any:
        if not h5py.h5a.exists(self._id, name.encode()):
            return None
        stored = h5py.h5a.open(self._id, name.encode())
        value = np.empty(stored.shape, stored.dtype)
        stored.read(value)
        return value[()]

    def text(self, name: str) -> str:
        value = self._value(name)
        return value.decode("utf-8", "replace") if isinstance(value, bytes) else "" if value is None else str(value)

    def number(self, name: str) -> float | None:
        value = self._value(name)
        return float(value) if isinstance(value, np.generic | int | float) and not isinstance(value, bytes) else None


def _rows_of(h5: h5py.File, stream: str) -> int | None:
    """Rows of a sealed stream; None when the record has no such stream."""
    return int(h5["status"][f"{stream}_rows"][()]) if f"{stream}_rows" in h5["status"] else None


def _conditions_of(h5: h5py.File) -> Conditions:
    """From the bias log, or from the ladders of a record that has none there: a few rows each."""
    for stream in ("bias", "ladders"):
        if stream in h5 and all(name in h5[stream] for name in ("temperature_set_degc", "channel", "supply_voltage_set_v")):
            group = h5[stream]
            if len(group["channel"]):
                return _once(group["temperature_set_degc"][()], _texts(group["channel"]), group["supply_voltage_set_v"][()])
    return (), (), ()


def _growing(path: Path) -> tuple[int | None, Conditions]:
    """Of a record that is not sealed every acknowledged row counts, those in the journal too."""
    with Record.open(path) as record:
        points = record.rows("points") if "points" in record.streams else None
        if "bias" not in record.streams or not {"temperature_set_degc", "channel", "supply_voltage_set_v"} <= {
            column.name for column in record.streams["bias"]
        }:
            return points, ((), (), ())
        bias = record.bias()
        return points, _once(
            bias["temperature_set_degc"].to_numpy(), list(bias["channel"]), bias["supply_voltage_set_v"].to_numpy()
        )


def _once(temperatures: Any, channels: list[str], voltages: Any) -> Conditions:
    # What was measured unpowered was at no supply voltage.
    supplies = tuple(volts for volts in _numbers_once(voltages) if volts > 0)
    return _numbers_once(temperatures), tuple(sorted({channel for channel in channels if channel})), supplies


def _numbers_once(values: Any) -> tuple[float, ...]:
    return tuple(sorted({float(value) for value in values if not math.isnan(value)}))


def _texts(stored: h5py.Dataset) -> list[str]:
    return [value.decode("utf-8", "replace") for value in stored[()].tolist()]


def _whole(number: float | None) -> int | None:
    return None if number is None or math.isnan(number) else int(number)


def _why_not(path: Path, error: Exception) -> str:
    try:
        if path.stat().st_size == 0:
            return "empty file"
        if not h5py.is_hdf5(path):
            return "not an HDF5 file"
    except OSError:
        return f"can't be read: {error}"
    return f"damaged, or not a record of benchkit: {' '.join(str(error).split())}"
