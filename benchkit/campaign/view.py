"""
A running record seen from outside: where the run is, how the part stands, what came last, how long it will take.

Only reads. Each look opens the record anew, as its format asks of whoever polls (record/FORMAT.md).
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from benchkit.errors import FileError
from benchkit.guardian.notices import account_path
from benchkit.plan import make_plan
from benchkit.record import Record
from benchkit.record.layout import is_simulated
from benchkit.sequence.load import load_sequence_text

__all__ = ["Bias", "Event", "LadderView", "View", "Viewer", "time_left_s"]

LAST_EVENTS = 5
# A ladder is read whole from the newest points; one that is longer is shown from where these begin.
MOST_POINTS = 2000
MADE_SAFE, NOT_SAFE = "made safe", "NOT VERIFIED SAFE"


@dataclass(frozen=True)
class Bias:
    """How the part stood when it was last read. [V, A]"""

    state: str
    channel: str
    supply_voltage_set_v: float
    gate_voltage_v: float
    drain_voltage_v: float
    drain_current_a: float

    @property
    def is_off(self) -> bool:
        """The reading is from before it was switched off."""
        return self.state in ("unpowered", MADE_SAFE, NOT_SAFE)


@dataclass(frozen=True)
class LadderView:
    """
    The ladder measured last, as far as it goes.

    Attributes:
        input_dbm, output_dbm, gain_db: At the device's planes; NaN where there is no reading.
        status: "" while it is being measured.
    """

    number: int
    channel: str
    temperature_set_degc: float
    frequency_hz: float
    input_dbm: tuple[float, ...]
    output_dbm: tuple[float, ...]
    gain_db: tuple[float, ...]
    status: str = ""
    stop_reason: str = ""


@dataclass(frozen=True)
class Event:
    """Of the run's log. [s since 1970-01-01T00:00:00Z]"""

    time_s: float
    severity: str
    kind: str
    text: str


@dataclass(frozen=True)
class View:
    """
    One look. NaN: not known, or not measured.

    Attributes:
        state: "running or killed", or "sealed".
        behind: Points measured, and those that ladders spared by stopping early.
        left_s: Estimated time to the end; 0 when sealed. [s]
        silent_s: Since the newest row; NaN for a rehearsal, whose time is not ours. [s]
        account: What the guardian had to do, when it had to; then nobody is running any more.
        ladders: Finished so far.
    """

    record: str
    state: str
    part: str
    unit: str
    sequence: str
    is_simulated: bool
    outcome: str
    message: str
    points: int
    behind: int
    planned_points: int
    elapsed_s: float
    left_s: float
    silent_s: float
    bias: Bias | None
    set_degc: float
    air_degc: float
    case_degc: float
    ladder: LadderView | None
    ladders: int
    events: tuple[Event, ...]
    account: str = ""

    @property
    def is_over(self) -> bool:
        """Nothing more will come."""
        return self.state == "sealed" or bool(self.account)


def time_left_s(estimated_s: float, elapsed_s: float, part: float) -> float:
    """
    From the estimate made before, and from how it has gone: the first at the beginning, the second towards the end. [s]

    A run that begins with an hour of soaking is not 50 hours long because a fiftieth of its points is done.

    Args:
        estimated_s: Of the whole run; NaN: there is none. [s]
        elapsed_s: Since it began. [s]
        part: Of the points that are behind it, 0 to 1.
    """
    by_pace = elapsed_s * (1.0 - part) / part if part > 0 else math.nan
    by_plan = estimated_s * (1.0 - part)
    if math.isnan(by_plan) or math.isnan(by_pace):
        return by_pace if math.isnan(by_plan) else by_plan
    return (1.0 - part) * by_plan + part * by_pace


class Viewer:
    """
    Looks at one record again and again.

    Args:
        path: The record.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._ladder_points: tuple[int, ...] | None = None

    def look(self, now_s: float) -> View:
        """
        Args:
            now_s: Seconds since 1970-01-01T00:00:00Z. [s]

        Raises:
            FormatError: Not there, or not a record that this benchkit reads.
        """
        with Record.open(self.path) as record:
            ladders = _rows(record, "ladders")
            points = record.rows("points") if "points" in record.streams else 0
            recent = _rows(record, "points", MOST_POINTS)
            bias, chamber = _rows(record, "bias", 1), _rows(record, "chamber", 1)
            events = _rows(record, "events", LAST_EVENTS)
            facts = record.attributes
            # A run on a served twin lasts as long as any.
            is_virtual = facts.get("simulated") == 1
            started_s = _number(facts, "started_s", record.created_s)
            newest_s = max([started_s, *(_newest(table) for table in (recent, bias, chamber, events))])
            planned = int(_number(facts, "planned_points", 0.0))
            behind = points + self._spared(record, ladders)
            until_s = newest_s if is_virtual or record.is_sealed else max(now_s, newest_s)
            elapsed_s = until_s - started_s
            part = min(1.0, behind / planned) if planned else 0.0
            left_s = 0.0 if record.is_sealed else time_left_s(_number(facts, "estimated_s", math.nan), elapsed_s, part)
            return View(
                record=str(self.path),
                state=record.state,
                part=str(facts.get("part", "")),
                unit=str(facts.get("unit", "")),
                sequence=str(facts.get("sequence_name", "")),
                is_simulated=bool(is_simulated(facts)),
                outcome=record.outcome,
                message=record.message,
                points=points,
                behind=behind,
                planned_points=planned,
                elapsed_s=elapsed_s,
                left_s=left_s,
                silent_s=math.nan if is_virtual or record.is_sealed else max(0.0, now_s - newest_s),
                bias=_bias(bias, recent, events),
                set_degc=_last(chamber, "set_degc"),
                air_degc=_last(chamber, "air_degc"),
                case_degc=_last(chamber, "case_degc"),
                ladder=_ladder(recent, ladders),
                ladders=int(ladders["status"].isin(("complete", "stopped")).sum()) if len(ladders) else 0,
                events=tuple(
                    Event(float(time_s), str(severity), str(kind), str(text))
                    for time_s, severity, kind, text in zip(
                        *(_column(events, name) for name in ("time_s", "severity", "kind", "text")), strict=True
                    )
                ),
                account="" if record.is_sealed else self._account(),
            )

    def _spared(self, record: Record, ladders: pd.DataFrame) -> int:
        """Points that finished ladders did not need; 0 when the sequence can't be read, and then the time left is too long."""
        if self._ladder_points is None:
            try:
                plan = make_plan(load_sequence_text(record.sequence_text, "sequence").file)
                self._ladder_points = tuple(block.point_count() // max(1, block.ladder_count()) for block in plan.measurements)
            except FileError:
                self._ladder_points = ()
        each = self._ladder_points
        if not {"measurement", "points", "status"} <= set(ladders):
            return 0  # the record is of an earlier time
        return sum(
            max(0, each[measurement] - points)
            for measurement, points, status in zip(
                *(_column(ladders, name) for name in ("measurement", "points", "status")), strict=True
            )
            if 0 <= measurement < len(each)
            and status != "torn"  # that one is measured again; what is not measured is behind us too
        )

    def _account(self) -> str:
        try:
            return str(json.loads(account_path(self.path).read_text(encoding="utf-8"))["text"])
        except (OSError, ValueError, KeyError, TypeError):
            return ""


def _rows(record: Record, stream: str, last: int | None = None) -> pd.DataFrame:
    return record.stream(stream, last=last) if stream in record.streams else pd.DataFrame()


def _column(table: pd.DataFrame, name: str) -> list[Any]:
    return table[name].tolist() if name in table else []


def _last(table: pd.DataFrame, name: str) -> float:
    return float(table[name].iloc[-1]) if name in table and len(table) else math.nan


def _newest(table: pd.DataFrame) -> float:
    newest = _last(table, "time_s")
    return -math.inf if math.isnan(newest) else newest


def _number(facts: Mapping[str, str | int | float], name: str, missing: float) -> float:
    value = facts.get(name, missing)
    return float(value) if isinstance(value, int | float) else missing


def _bias(bias: pd.DataFrame, recent: pd.DataFrame, events: pd.DataFrame) -> Bias | None:
    """A point with drive that is newer than the bias log's last row means that RF was on; a later make safe, that all is off."""
    if not len(bias):
        return None
    row = bias.iloc[-1]
    state = str(row["state"])
    safe = events[events["kind"] == "made safe"] if len(events) else events
    if len(safe) and _newest(safe) >= max(_newest(bias), _newest(recent)):
        state = NOT_SAFE if str(safe["severity"].iloc[-1]) == "error" else MADE_SAFE
    elif state == "biased" and len(recent) and _newest(recent) > _newest(bias):
        point = recent.iloc[-1]
        driven = not math.isnan(float(point["drive_set_dbm"]))
        return Bias("driven" if driven else state, str(point["channel"]), float(point["supply_voltage_set_v"]),
                    float(point["gate_voltage_v"]), float(point["drain_voltage_v"]), float(point["drain_current_a"]))  # fmt: skip
    return Bias(state, str(row["channel"]), float(row["supply_voltage_set_v"]), float(row["gate_voltage_v"]),
                float(row["drain_voltage_v"]), float(row["drain_current_a"]))  # fmt: skip


def _ladder(recent: pd.DataFrame, ladders: pd.DataFrame) -> LadderView | None:
    """The last one with drive: a reading at rest has nothing to plot."""
    needed = {"ladder", "input_dbm", "output_dbm", "gain_db", "drive_set_dbm"}
    if not needed <= set(recent.columns):
        return None
    driven = recent[recent["drive_set_dbm"].notna()]
    if not len(driven):
        return None
    number = int(driven["ladder"].iloc[-1])
    rows = driven[driven["ladder"] == number]
    first = rows.iloc[0]
    done = ladders[ladders["ladder"] == number] if len(ladders) else ladders
    return LadderView(
        number=number,
        channel=str(first["channel"]),
        temperature_set_degc=float(first["temperature_set_degc"]),
        frequency_hz=float(first["frequency_hz"]),
        input_dbm=_floats(rows["input_dbm"]),
        output_dbm=_floats(rows["output_dbm"]),
        gain_db=_floats(rows["gain_db"]),
        status=str(done["status"].iloc[-1]) if len(done) else "",
        stop_reason=str(done["stop_reason"].iloc[-1]) if len(done) else "",
    )


def _floats(values: Sequence[float] | pd.Series[float]) -> tuple[float, ...]:
    return tuple(float(value) for value in values)
