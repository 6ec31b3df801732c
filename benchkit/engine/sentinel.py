"""
The sentinel between ladders: measured when a condition begins, at stated intervals, when it ends, and at each return to it.

What it is compared with is the reference: the first reading ever taken at the condition (the quiescent current: of the same
bias-up, where the gate is trimmed each time). A return that finds it off can't tell whether device or bench has changed: what was
measured in between is marked, and so is what follows, as long as it stays off. A difference beyond its bound marks what was
measured since, zeroes the power meter, or ends the run, as the sequence says. It reads through the station as every kind does,
so that every wall holds for it too.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from benchkit.clock import Clock
from benchkit.engine.hookup import Hookup
from benchkit.engine.journalist import Events
from benchkit.engine.references import Key, Reference, key_of
from benchkit.engine.station import ChannelStation
from benchkit.errors import BenchkitError, ConditionError, InstrumentError, LinkError
from benchkit.measurements.base import Reading
from benchkit.measurements.sentinel import SENTINEL_INDEX, SENTINEL_LADDER, Sentinel
from benchkit.plan.plan import Condition

__all__ = ["SentinelWatch"]

Row = dict[str, float | int | str]


class SentinelWatch:
    """
    One run's sentinel.

    Args:
        append: Takes a row of the stream `sentinel`.
        untold: Takes the row of a reading that ended the run; it is told to the record after make safe.
        references: From the record of a run that goes on.
        file_name: The sequence's, for messages.
    """

    def __init__(
        self,
        block: Sentinel,
        clock: Clock,
        append: Callable[[Row], object],
        untold: Callable[[Row], object],
        events: Events,
        file_name: str,
        *,
        keeps_gate: bool,
        references: Mapping[Key, Reference] | None = None,
    ) -> None:
        self._block, self._clock, self._append, self._untold, self._events = block, clock, append, untold, events
        self._file_name = file_name
        self._keeps_gate = keeps_gate
        self._references = dict(references or {})
        self._begun: tuple[Condition, ChannelStation, Hookup] | None = None
        self._reference: Reference | None = None
        self._last_s = math.nan
        self._measured_since = False
        self._may_zero = True

    def begin(self, condition: Condition, station: ChannelStation, hookup: Hookup) -> None:
        """The part is biased, as `condition` says, and nothing is measured yet."""
        self._begun = condition, station, hookup
        before = self._references.get(key_of(condition))
        self._reference, self._may_zero, self._measured_since = None, True, False
        if before is None or not self._block.at_return:
            self._measure("begin")
            return
        trimmed_anew = not self._keeps_gate
        self._reference = replace(before, quiescent_a=math.nan) if trimmed_anew else before
        self._last_s = before.held_s
        found, is_held = self._measure("return")
        if before.is_earlier:
            # Whoever resumed was told; from here on it is compared with what is now, or a changed part could not be gone on with.
            self._reference = before = replace(before if is_held else found, is_earlier=False)
            self._references[key_of(condition)] = before
        if trimmed_anew:
            self._reference = replace(before, quiescent_a=found.quiescent_a)

    def before_ladder(self) -> None:
        """A ladder is about to begin: measured first, if it is time."""
        if self._clock.now() - self._last_s >= self._block.every_s and self._measured_since:
            self._measure("interval")
        self._measured_since = True

    def end(self) -> None:
        """Everything at this condition is measured, the part is still biased."""
        if self._measured_since:
            self._measure("end")
        self._begun = None

    def _measure(self, occasion: str) -> tuple[Reference, bool]:
        """
        What was found, and whether it holds.

        Raises:
            ConditionError: It has drifted, and the sequence says to stop; or it reads no gain to begin with.
        """
        row = self._read(occasion)
        now = _reference(row)
        if self._reference is None:
            self._begin_with(row, now)
            return now, True
        drifts = self._block.drifts(*(float(row[name]) for name in ("drift_db", "drift_a", "drift_v")))
        since_s, self._last_s, self._measured_since = self._last_s, now.held_s, False
        if not drifts:
            self._append({**row, "status": "held"})
            self._keep(now.held_s)
            return now, True
        row |= {"status": "drifted", "marks_from_s": since_s, "marks_to_s": now.held_s}
        self._append(row)
        what = " and ".join(drifts)
        self._events.note(
            "sentinel drift", f"{self._where}: {what} off its reference; what was measured since is marked", "warning"
        )
        if occasion == "after zero":
            self._may_zero = False  # it was not the meter's zero: zeroing it again would change nothing but the time
            self._events.note("sentinel", f"{self._where}: zeroing the power meter did not bring it back", "warning")
        elif self._block.on_drift == "stop" and not self._reference.is_earlier:
            raise ConditionError(
                f"{self._where}: the sentinel has drifted, {what} ({self._file_name}: sentinel); on_drift: stop. What was "
                f"measured in the {(now.held_s - since_s) / 60:.0f} min before is marked; the part is taken down to unpowered. "
                "Look for the cause (source, meter, connectors, the device itself), then resume the record"
            )
        elif self._block.on_drift == "re-zero" and self._may_zero:
            self._zero()
            return self._measure("after zero")
        return now, False

    def _begin_with(self, row: Row, now: Reference) -> None:
        condition = self._present[0]
        if math.isnan(now.gain_db):
            raise ConditionError(
                f"{self._where}: the sentinel's output is outside the power meter's range at {self._block.drive_dbm:g} dBm, "
                f"so that there is nothing to compare with later. The part is taken down to unpowered ({self._file_name}: "
                "sentinel.drive)"
            )
        self._append({**row, "status": "reference"})
        self._reference = self._references[key_of(condition)] = now
        self._last_s = now.held_s

    def _keep(self, held_s: float) -> None:
        """The reference holds until now: a return marks nothing from before."""
        key = key_of(self._present[0])
        self._references[key] = replace(self._references[key], held_s=held_s)

    def _zero(self) -> None:
        _, station, hookup = self._present
        station.rest()  # RF off, read back
        if hookup.meter is None:
            raise InstrumentError("power meter", "the sentinel is to zero it, and it is not open")
        self._events.note("zeroing", f"{hookup.meter.name}: its zero is taken anew, RF off", "info")
        hookup.meter.zero()

    @property
    def _present(self) -> tuple[Condition, ChannelStation, Hookup]:
        assert self._begun is not None, "begin() comes first"
        return self._begun

    @property
    def _where(self) -> str:
        return str(self._present[0])

    def _read(self, occasion: str) -> Row:
        condition, station, _ = self._present
        where: Row = {
            "measurement": SENTINEL_INDEX,
            "ladder": SENTINEL_LADDER,
            "attempt": 1,
            "channel": condition.channel,
            "temperature_set_degc": math.nan if condition.temperature_degc is None else condition.temperature_degc,
            "supply_voltage_set_v": condition.supply_voltage_v,
            "visit": condition.visit,
            "occasion": occasion,
        }
        readings: list[Reading] = []
        try:
            readings.extend(self._block.measure(next(self._block.ladders()), station))
        except BenchkitError as error:
            if station.is_refused and station.present and not isinstance(error, LinkError):
                self._untold({**where, **self._means([station.present], []), "status": "tripped"})
            raise
        means = self._means(readings[:1], readings[1:])
        before = self._reference
        if before is not None:
            means["drift_db"] = float(means["gain_db"]) - before.gain_db
            means["drift_a"] = float(means["quiescent_a"]) - before.quiescent_a
            means["drift_v"] = float(means["detector_v"]) - before.detector_v
        return {**where, **means}

    def _means(self, at_rest: list[Reading], driven: list[Reading]) -> Row:
        rest, shown = at_rest[0], driven or at_rest
        gains = [one.get("gain_db", math.nan) for one in shown]
        return {
            "time_s": self._clock.now(),
            "readings": len(driven),
            "frequency_hz": self._block.frequency_hz,
            "drive_set_dbm": self._block.drive_dbm,
            "output_dbm": float(np.mean([one.get("output_dbm", math.nan) for one in shown])),
            "gain_db": float(np.mean(gains)),
            "gain_scatter_db": float(np.std(gains, ddof=1)) if len(gains) > 1 else math.nan,
            "quiescent_a": rest["drain_current_a"],
            "drain_voltage_v": rest["drain_voltage_v"],
            "gate_voltage_v": rest["gate_voltage_v"],
            "gate_current_a": rest["gate_current_a"],
            "detector_v": float(np.mean([one.get("detector_v", math.nan) - one.get("reference_v", math.nan) for one in shown])),
            "case_degc": shown[-1].get("case_degc", math.nan),
            "drift_db": math.nan,
            "drift_a": math.nan,
            "drift_v": math.nan,
            "marks_from_s": math.nan,
            "marks_to_s": math.nan,
        }


def _reference(row: Row) -> Reference:
    return Reference(float(row["gain_db"]), float(row["quiescent_a"]), float(row["detector_v"]), float(row["time_s"]))
