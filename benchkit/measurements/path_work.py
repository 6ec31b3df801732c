"""How the paths of one channel are measured: what is connected and read in turn, looked at before it counts, and stored."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchkit.errors import ConditionError
from benchkit.measurements.path_adapter import AdapterLoss, adapter_path
from benchkit.measurements.path_levels import moved, spaced_apart, spaced_wrongly
from benchkit.measurements.path_plausible import (
    alike,
    another,
    changed,
    confused,
    doubt,
    implausible_at_source,
    implausible_loss,
    repeated,
)
from benchkit.measurements.path_rows import COMPRESSIONS, PATHS, RISE, doubted, driven_by, read_series, store_budget
from benchkit.measurements.path_steps import AT_CONNECTOR, AT_PLANE, BEHIND, FEEDS, PLACES, PLANES, told_by, ways
from benchkit.measurements.path_unstated import unstated
from benchkit.measurements.power_before import DEVICE, PathRole, PowerStation, Step, Thing
from benchkit.quantities.format import format_quantity
from benchkit.results.path_budget import (
    SensorMatch,
    Series,
    device_to_analyser,
    device_to_meter,
    levels_apart,
    pooled,
    source_to_device,
)
from benchkit.results.uncertainty import Budget, Contribution

if TYPE_CHECKING:
    from benchkit.measurements.path_loss import PathLossMeasurement

__all__ = ["PathWork"]

_Table = Sequence[tuple[float, tuple[Contribution, ...]]]
"""Loss at each frequency, and its budget. [dB]"""


class PathWork:
    """
    One channel's paths, once.

    Args:
        block: What is asked for.
        station: The channel; everything is off and the device in its place.
    """

    def __init__(self, block: PathLossMeasurement, station: PowerStation) -> None:
        self._block, self._station = block, station
        self._frequencies, self._levels = list(block.frequency_hz), list(block.level_dbm)
        self._where = f"{block.title}, channel {station.channel}"
        self._match = SensorMatch(block.sensor_return_loss_db, block.source_return_loss_db, block.analyser_return_loss_db)
        self._adapter = self._adapter_db()
        self._steps = block.power_before().steps
        self._series: dict[Step, Series] = {}
        self._tables: dict[PathRole, _Table] = {}
        self._doubts: dict[PathRole, str] = {}

    def carry_out(self) -> None:
        """
        Raises:
            ConditionError: No reading where one is due, or one that the sensor can't have where it was asked for.
            InstrumentError: Something is on, or nobody is there to connect the sensor.
        """
        station, block = self._station, self._block
        self._say_what_is_left_out()
        connected: Thing = DEVICE
        for index, step in enumerate(self._steps):
            if step.what != connected:
                station.connect(step.what)
                connected = step.what
            if index == 0:
                station.zero()
            _, read_dbm = read_series(station, step, self._frequencies, self._levels, block.repeats)
            self._series[step] = pooled(read_dbm)
            wrong = (
                repeated(read_dbm, self._levels, self._frequencies, station.meter)
                or self._jumped(step, read_dbm)
                or self._wrong(step)
            )
            if wrong:
                raise ConditionError(f"{self._where}: {wrong} Nothing was biased, no table was made, and nothing is put back yet")
        station.connect(DEVICE)
        self._say_what_changed()
        self._store_tables()
        self._store_compression()
        names = [station.path(role).name for role in block.paths]
        told = " and ".join(part for part in (", ".join(names[:-1]), names[-1]) if part)
        station.note(
            "paths",
            f"{self._where}: {told} measured at {len(self._frequencies)} frequencies; the device is connected again",
        )

    def _jumped(self, step: Step, read_dbm: NDArray[np.float64]) -> str:
        """Whether the source's level jumped within this series, or its levels are not as far apart as they were set."""
        accuracy, levels, frequencies = self._station.accuracy_of(step.feed), self._levels, self._frequencies
        if wrong := moved(read_dbm, levels, frequencies, accuracy):
            return f"with {PLACES[step.what]}, {wrong}?"
        amplified = any(self._has_amplifier(role) for role in ways(step))
        where = f"with {PLACES[step.what]},"
        return spaced_wrongly(accuracy, self._series[step], levels, frequencies, where, has_amplifier=amplified)

    def _has_amplifier(self, role: PathRole) -> bool:
        return self._station.has_amplifier(self._station.path(role).name)

    def _wrong(self, step: Step) -> str:
        """What can't be so, if anything; losses that can are put among the tables that are asked for."""
        station = self._station
        if step == AT_CONNECTOR[step.feed]:
            read_dbm = self._series[step].mean_dbm[:, 0]
            taken_db = np.array([loss_db for loss_db, _ in self._adapter])
            accuracy = station.accuracy_of(step.feed)
            if wrong := implausible_at_source(
                read_dbm, self._levels[0], taken_db, accuracy, self._frequencies, step.feed, station.source_of(step.feed)
            ):
                return wrong
        return next((wrong for role in told_by(step, self._series) if (wrong := self._wrong_path(role))), "")

    def _wrong_path(self, role: PathRole) -> str:
        station, feed = self._station, FEEDS[role]
        table, path = self._table(role), station.path(role)
        if role in self._block.paths:
            self._tables[role] = table
        columns = _columns(table)
        amplified = self._has_amplifier(role)
        if wrong := implausible_loss(*columns, path, has_amplifier=amplified, frequencies_hz=self._frequencies):
            return wrong
        other = self._other_end(role)
        if other is not None and (wrong := confused(*columns, path, station.path(other), self._frequencies)):
            return wrong
        if role in BEHIND and not amplified:
            plane, behind = self._series[AT_PLANE[feed]], self._series[BEHIND[role]]
            where, accuracy = PLACES[BEHIND[role].what], station.accuracy_of(feed)
            if wrong := spaced_apart(accuracy, plane, behind, self._levels, self._frequencies, where):
                return wrong
        is_proved = AT_CONNECTOR[feed] in self._steps
        if is_proved or role not in self._block.paths:
            return ""
        return another(*columns, path, self._frequencies, station.source_of(feed))

    def _other_end(self, role: PathRole) -> PathRole | None:
        """Where the sensor may be instead, behind the thru; the analyser's cable is in hand only where it is asked for."""
        if role == "analyser":
            return "output"
        return "analyser" if role == "output" and "analyser" in self._block.paths else None

    def _table(self, role: PathRole) -> _Table:
        station, block, feed = self._station, self._block, FEEDS[role]
        accuracy, match, connector_db = station.accuracy_of(feed), self._match, block.connector_db
        plane, rows = self._series[AT_PLANE[feed]], range(len(self._frequencies))
        if role == "output":
            thru = self._series[BEHIND[role]]
            return [device_to_meter(accuracy, match, plane, thru, self._adapter[row], (row, 0), connector_db) for row in rows]
        if role == "analyser":
            behind = self._series[BEHIND[role]]
            return [device_to_analyser(accuracy, match, plane, behind, (row, 0), connector_db) for row in rows]
        at_source, set_dbm = self._series.get(AT_CONNECTOR[feed]), self._levels[0]
        return [
            source_to_device(accuracy, match, plane, at_source, self._adapter[row], set_dbm, (row, 0), connector_db)
            for row in rows
        ]

    def _say_what_is_left_out(self) -> None:
        station, block = self._station, self._block
        keys = unstated(
            station.accuracy, self._match, block.connector_db, block.paths, station.meter,
            against_sensor=block.reference == "sensor",
        )  # fmt: skip
        if keys:
            station.note("budget", f"{self._where}: not stated, and so not in the uncertainty: {', '.join(keys)}")

    def _say_what_changed(self) -> None:
        station = self._station
        for role, table in self._tables.items():
            if found := changed(*_columns(table), station.path(role), self._frequencies):
                station.note("path changed", f"{self._where}: {found}", "warning")
            self._doubts[role] = doubt(*_columns(table), station.path(role), self._frequencies)
        behind = [self._series.get(step) for step in BEHIND.values()]
        at_analyser, at_meter = behind
        if at_analyser is None or at_meter is None:
            return
        taken_db = np.array([loss_db for loss_db, _ in self._adapter])
        if alike(at_analyser, at_meter, taken_db):
            one, other = (station.path(role).name for role in BEHIND)
            station.note(
                "paths alike",
                f"{self._where}: behind the thru the sensor read the same at every frequency at the end of {one} and of {other}, "
                "as one that was not moved does: was the analyser's cable on the sensor, and the sensor at its own place again?",
            )

    def _adapter_db(self) -> list[tuple[float, float]]:
        """Loss and its expanded uncertainty at each frequency. [dB]"""
        adapter = self._block.adapter
        if adapter is None:
            return [(0.0, 0.0)] * len(self._frequencies)
        if isinstance(adapter, AdapterLoss):
            return [(adapter.loss_db, adapter.uncertainty_db)] * len(self._frequencies)
        path = adapter_path(adapter, self._station.file(adapter.touchstone))
        return [(path.loss_db(hz), path.uncertainty_db(hz)) for hz in self._frequencies]

    def _against(self, role: PathRole) -> tuple[str, bool]:
        """What a path was measured against, and whether the adapter was taken out; it cancels where the sensor wears it twice."""
        if role in BEHIND:
            return "the same sensor at the device's plane", role == "output"
        feed = FEEDS[role]
        if self._block.reference == "sensor":
            return f"the same sensor at the {feed}", False
        return f"the {feed}'s level setting", True

    def _store_tables(self) -> None:
        station, block = self._station, self._block
        made_s, set_dbm = station.now_s(), self._levels[0]
        adapted = "" if block.adapter is None else "; adapter taken out"
        for row, hz in enumerate(self._frequencies):
            for role in block.paths:
                path, (against, takes_adapter) = station.path(role).name, self._against(role)
                loss_db, lines = self._tables[role][row]
                store_budget(station, path, hz, lines)
                station.store(
                    PATHS.name,
                    {
                        "made_s": made_s,
                        "path": path,
                        "planes": PLANES[role],
                        "frequency_hz": hz,
                        "source_level_dbm": set_dbm,
                        "loss_db": loss_db,
                        "expanded_uncertainty_db": Budget(lines).expanded,
                        "adapter_db": self._adapter[row][0] if takes_adapter else 0.0,
                        "source": station.source_of(FEEDS[role]),
                        "meter": station.meter,
                        **doubted(self._doubts[role]),
                        "how": f"against {against}{adapted if takes_adapter else ''}; mean of {block.repeats}",
                    },
                )

    def _store_compression(self) -> None:
        """Of the ways to the device alone, as one series tells each: what is read behind the thru has both ways in it."""
        if len(self._levels) < 2:
            return
        for role in self._block.paths:
            if role not in BEHIND:
                self._store_rise(role)

    def _store_rise(self, role: PathRole) -> None:
        station, levels, feed = self._station, self._levels, FEEDS[role]
        name, accuracy, series = station.path(role).name, station.accuracy_of(feed), self._series[AT_PLANE[feed]]
        worst: tuple[float, float, float] | None = None
        for row, hz in enumerate(self._frequencies):
            rise_db, lines = levels_apart(accuracy, series, row, levels)
            expanded_db = Budget(lines).expanded
            station.store(
                COMPRESSIONS.name,
                {
                    "path": name,
                    **driven_by(feed),
                    "frequency_hz": hz,
                    "from_dbm": levels[0],
                    "to_dbm": levels[-1],
                    "rise_db": rise_db,
                    "expanded_uncertainty_db": expanded_db,
                },
            )
            store_budget(station, RISE + name, hz, lines)
            if abs(rise_db) > expanded_db and (worst is None or abs(rise_db) > abs(worst[0])):
                worst = rise_db, expanded_db, hz
        if worst is not None:
            station.note(
                "path compresses",
                f"{self._where}: {name} loses {worst[0]:.3g} dB more at {levels[-1]:g} dBm than at "
                f"{levels[0]:g} dBm (U {worst[1]:.2g} dB, worst at {format_quantity(worst[2], 'Hz', 9)}): its table holds at "
                f"{levels[0]:g} dBm only",
            )


def _columns(table: _Table) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Losses and expanded uncertainties. [dB]"""
    return np.array([loss_db for loss_db, _ in table]), np.array([Budget(lines).expanded for _, lines in table])
