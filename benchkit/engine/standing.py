"""How far a plan has come, from the rows of its record alone: for a run that goes on where another ended."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import pandas as pd

from benchkit.engine.references import Key, Reference, references_of
from benchkit.errors import FormatError
from benchkit.measurements.sentinel import SENTINEL
from benchkit.plan.plan import Condition, Plan

__all__ = [
    "DONE_BEFORE",
    "GATE_HELD",
    "NOTHING_DONE",
    "Standing",
    "done_before_text",
    "gate_held_text",
    "standing_of",
]

GATE_HELD = "gate held"
"""Event that says where gates are held from now on (bias.retrim: hold voltage); a run that goes on reads it."""

DONE_BEFORE = "done before"
"""Event that says what was done with power meter and source before the first condition; a run that goes on reads it."""

FINISHED = ("complete", "stopped")
_GATES = re.compile(r"channel (?P<channel>.+), (?P<supply>\S+) V: gates held at (?P<gates>\S+) V from here on")

_DONE = re.compile(r"measurement (?P<measurement>\d+), attempt (?P<attempt>\d+), channel (?P<channel>.+): done before .*")

Row = dict[str, float | int | str]


@dataclass(frozen=True)
class Standing:
    """
    What is done of a plan.

    Attributes:
        finished: Serial numbers of ladders that are not measured again.
        attempts: By ladder: how often it was begun.
        calibrations: By measurement: how often it was begun before the first condition.
        done_before: Measurement and channel of what was done with the power meter before the first condition, to its end.
        points: Points in the record, torn ones included: the serial number of the next one.
        torn: Rows for the stream `ladders` of attempts that a killed run left without one.
        held_gates_v: By channel and supply voltage: where the gates are held. [V]
        references: What the sentinel is compared with, by condition.
    """

    finished: frozenset[int] = frozenset()
    attempts: Mapping[int, int] = field(default_factory=dict)
    calibrations: Mapping[int, int] = field(default_factory=dict)
    done_before: frozenset[tuple[int, str]] = frozenset()
    points: int = 0
    torn: tuple[Row, ...] = ()
    held_gates_v: Mapping[tuple[str, float], tuple[float, ...]] = field(default_factory=dict)
    references: Mapping[Key, Reference] = field(default_factory=dict)

    @property
    def torn_attempts(self) -> int:
        """Attempts that are kept and count for nothing."""
        return sum(self.attempts.values()) - len(self.finished)

    def attempt(self, ladder: int) -> int:
        """Number of the attempt that begins now, from 1."""
        return self.attempts.get(ladder, 0) + 1

    def is_left(self, plan: Plan, condition: Condition) -> bool:
        """Whether anything of this condition is still to be measured."""
        return any(ladder not in self.finished for ladder in plan.serials(condition))

    def left(self, plan: Plan) -> list[int]:
        """Ladders still to be measured, by measurement."""
        counts = [0] * len(plan.measurements)
        for condition in plan.conditions():
            for measurement, _ in plan.measured_at(condition):
                counts[measurement] += sum(ladder not in self.finished for ladder in plan.serials(condition, measurement))
        return counts

    def power_left(self, plan: Plan) -> list[tuple[int, str]]:
        """
        Measurement and channel of what is to be done with the power meter before the first condition: what was not done to its
        end, and what is done again whenever anything is left.
        """
        asked = [
            (measurement, channel, block.before_again)
            for measurement, block in enumerate(plan.measurements)
            if block.power_before() is not None
            for channel in plan.channels
        ]
        is_any_left = any(self.left(plan)) or any((one, channel) not in self.done_before for one, channel, _ in asked)
        return [
            (one, channel)
            for one, channel, again in asked
            if (one, channel) not in self.done_before or (again and is_any_left)
        ]

    def points_left(self, plan: Plan) -> int:
        """Points still to be measured when no ladder stops early."""
        return sum(
            count * (block.point_count() // max(1, block.ladder_count()))
            for count, block in zip(self.left(plan), plan.measurements, strict=True)
        )


NOTHING_DONE = Standing()


def standing_of(
    points: pd.DataFrame, ladders: pd.DataFrame, own: Mapping[str, pd.DataFrame], events: pd.DataFrame
) -> Standing:
    """
    Args:
        points, ladders, events: Streams of the record.
        own: Streams that kinds fill besides, by name; the sentinel's among them, if there is one.

    Raises:
        FormatError: An event that says where a gate is held can't be read.
    """
    tables = []
    for table in (points, ladders, *own.values()):
        plain = table.copy(deep=False)
        plain.attrs = {}
        tables.append(plain)
    points, ladders = tables[0], tables[1]
    begun = pd.concat([table[["measurement", "ladder", "attempt"]] for table in tables], ignore_index=True)
    begun = begun[begun["ladder"] >= -1]
    last = begun.groupby(["measurement", "ladder"], as_index=False)["attempt"].max()
    counts: list[tuple[int, int, int]] = [(int(m), int(n), int(a)) for m, n, a in last.to_numpy()]
    told = set(zip(ladders["ladder"], ladders["attempt"], strict=True))
    finished = ladders.loc[ladders["status"].isin(FINISHED), "ladder"]
    return Standing(
        finished=frozenset(map(int, finished)),
        attempts={ladder: attempt for _, ladder, attempt in counts if ladder >= 0},
        calibrations={measurement: attempt for measurement, ladder, attempt in counts if ladder == -1},
        done_before=_done_before(events),
        points=max(0, int(points["point"].max()) + 1) if len(points) else 0,
        torn=_torn([points, *tables[2:]], told),
        held_gates_v=_held_gates(events),
        references=references_of(own[SENTINEL]) if SENTINEL in own else {},
    )


def _torn(tables: list[pd.DataFrame], told: set[tuple[int, int]]) -> tuple[Row, ...]:
    """Points first: they know more of the ladder than a kind's own rows."""
    found: dict[tuple[int, int], Row] = {}
    for number, table in enumerate(tables):
        for _, rows in table[table["ladder"] >= 0].groupby(["ladder", "attempt"], sort=True):
            key = (int(rows["ladder"].iloc[0]), int(rows["attempt"].iloc[0]))
            if key in told or key in found:
                continue
            first, times = rows.iloc[0], rows["time_s"] if "time_s" in rows else pd.Series([math.nan])
            found[key] = {
                "ladder": key[0],
                "attempt": key[1],
                "measurement": int(first["measurement"]),
                "channel": str(first["channel"]),
                "temperature_set_degc": float(first["temperature_set_degc"]),
                "supply_voltage_set_v": float(first["supply_voltage_set_v"]),
                "frequency_hz": float(first["frequency_hz"]) if number == 0 else math.nan,
                "start_s": float(times.min()),
                "end_s": float(times.max()),
                "points": len(rows) if number == 0 else 0,
                "status": "torn",
                "stop_reason": "the run ended here without a word",
            }
    return tuple(found[key] for key in sorted(found))


def gate_held_text(channel: str, supply_voltage_v: float, gates_v: tuple[float, ...]) -> str:
    """As standing_of() reads it: exact."""
    return f"channel {channel}, {supply_voltage_v!r} V: gates held at {'/'.join(map(repr, gates_v))} V from here on"


def done_before_text(measurement: int, attempt: int, channel: str) -> str:
    """As standing_of() reads it: exact."""
    return f"measurement {measurement}, attempt {attempt}, channel {channel}: done before the first condition, to its end"


def _done_before(events: pd.DataFrame) -> frozenset[tuple[int, str]]:
    matches = [_DONE.fullmatch(text) for text in events.loc[events["kind"] == DONE_BEFORE, "text"]]
    return frozenset((int(match["measurement"]), match["channel"]) for match in matches if match is not None)


def _held_gates(events: pd.DataFrame) -> dict[tuple[str, float], tuple[float, ...]]:
    held: dict[tuple[str, float], tuple[float, ...]] = {}
    for text in events.loc[events["kind"] == GATE_HELD, "text"]:
        match = _GATES.fullmatch(text)
        if match is None:
            raise FormatError(f"the record's event {text!r} does not say where a gate is held; the run can't go on from it")
        gates_v = tuple(float(gate) for gate in match["gates"].split("/"))
        held.setdefault((match["channel"], float(match["supply"])), gates_v)
    return held
