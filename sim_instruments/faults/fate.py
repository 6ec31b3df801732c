"""
Brings faults in time: counts messages, strikes when the moment has come, and keeps an account of what became of each.

It hears every message before its instrument does, and acts between messages at the times it asked the twin for, so that
what a fault does to the world it does at its own moment and not when somebody next asks.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from benchkit.fault_text import FaultText
from sim_instruments.faults.base import Scene, TwinFault, is_reading
from sim_instruments.faults.judgement import Judge, Struck
from sim_instruments.instruments import Reply
from sim_instruments.twin import Twin
from sim_instruments.world import World

__all__ = ["Fate", "Planned", "Whereabouts"]

DRAIN_ON_V = 0.5


class Whereabouts(Protocol):
    """How far the run is, where it can be known: in process."""

    @property
    def points(self) -> int:
        """Acknowledged points."""
        ...

    @property
    def conditions(self) -> int:
        """Conditions biased so far."""
        ...


@dataclass
class Planned:
    """A fault that was asked for, in the instrument where it will be."""

    text: FaultText
    fault: TwinFault
    instrument: str
    struck: Struck | None = None
    where: str = ""
    safe_s: float = math.nan


class Fate:
    """
    All faults of one twin; implements twin.Fault.

    Args:
        planned: What was asked for; a random moment is drawn already.
        whereabouts: How far the run is; None: not known here.
        account: File for what became of each fault (JSON); None: none.
    """

    name = "faults"

    def __init__(self, planned: Sequence[Planned], whereabouts: Whereabouts | None, account: Path | None) -> None:
        self.planned = tuple(planned)
        self.wakes_at = math.inf
        self._whereabouts, self._account = whereabouts, account
        self._messages = 0
        self._begun_s = math.nan
        self._asked: dict[str, tuple[float, tuple[Struck, ...]]] = {}
        self._wakes: list[float] = []
        self._energised = False
        self._trips: list[str] = []

    def plant(self, twin: Twin) -> None:
        """Once, before anything is said."""
        self._twin = twin
        assert isinstance(twin.world, World), "faults act on the physical world"
        self._world = twin.world
        self.judge = Judge(twin.world, twin.ledger)
        for name, instrument in twin.instruments.items():
            instrument.hears = partial(self._hears, name)
            instrument.says = partial(self._says, name)
        twin.on_finish = self._finish

    # ------------------------------------------------------------------ in time

    def wake(self, t: float) -> None:
        """Act at a time asked for. [s]"""
        self._wakes = [time for time in self._wakes if time > t]
        self._go_on(t)
        self._sleep()

    def _wake_me(self, t: float) -> None:
        # What lies in the past has been seen to already.
        if t > self._twin.clock.monotonic():
            self._wakes.append(t)
            self._sleep()

    def _sleep(self) -> None:
        self.wakes_at = min(self._wakes, default=math.inf)
        self._twin.attend(self)

    def _go_on(self, t: float) -> None:
        for planned in self.planned:
            if planned.struck is not None:
                planned.fault.go_on(planned.struck.scene, t)
            elif self._has_come(planned, t):
                self._strike(planned, t)
        self.judge.see_deadlines(t)

    def _has_come(self, planned: Planned, t: float) -> bool:
        when = planned.text.when
        if when.kind == "time":
            return t >= self._begun_s + when.value
        if when.kind == "message":
            return self._messages >= when.value
        assert self._whereabouts is not None, "checked when the faults were read"
        return (self._whereabouts.points if when.kind == "point" else self._whereabouts.conditions) >= when.value

    def _strike(self, planned: Planned, t: float) -> None:
        scene = Scene(self._twin.bench, self._world, self._twin.instruments[planned.instrument], self._wake_me)
        planned.struck = struck = Struck(planned.fault, scene, t, planned.fault.excuses(scene))
        planned.where = self._state()
        self.judge.struck.append(struck)
        planned.fault.strike(scene, t)
        self._wake_me(struck.deadline_s)

    # ------------------------------------------------------------------ between the bench and whoever commands it

    def _hears(self, name: str, message: bytes, t: float) -> bytes | None:
        self._messages += 1
        if self._messages == 1:
            self._begun_s = t
            for planned in self.planned:
                if planned.text.when.kind == "time":
                    self._wake_me(t + planned.text.when.value)
        self._look(t)
        self._go_on(t)
        heard: bytes | None = message
        for planned in self.planned:
            if planned.struck is not None and planned.instrument == name and heard is not None:
                heard = planned.fault.hears(planned.struck.scene, heard, t)
        if is_reading(message):
            # What this reading will show is decided when it is taken; it has shown it when it is handed over.
            seen = tuple(one for one in self.judge.struck if one.fault.is_visible(one.scene, name, t))
            self._asked[name] = (t, seen)
        return heard

    def _says(self, name: str, reply: Reply) -> Reply | None:
        said: Reply | None = reply
        for planned in self.planned:
            if planned.struck is not None and planned.instrument == name and said is not None:
                said = planned.fault.says(planned.struck.scene, said)
        asked = self._asked.pop(name, None)
        if asked is not None and said is not None:
            for struck in asked[1]:
                if said.ready_at < struck.shown_s:
                    struck.shown_s = said.ready_at
                    self._wake_me(struck.deadline_s)
        return said

    def _look(self, t: float) -> None:
        """What the last message has changed. [s]"""
        self.judge.see_steps(t)
        ports = self._world.ports
        energised = any(source.is_on for source in ports.sources.values()) or any(
            channel.drain.is_on and abs(channel.drain.target_v) > DRAIN_ON_V for channel in self._world.channels
        )
        if self._energised and not energised:
            for planned in self.planned:
                if planned.struck is not None:
                    planned.safe_s = t
        self._energised = energised
        if self.judge.struck:
            for port in ports.supplies.values():
                if port.tripped and (trip := f"{port.label}: {port.tripped}") not in self._trips:
                    self._trips.append(trip)

    def _state(self) -> str:
        """Bias state of the device as it truly is."""
        channel = next((one for one in self._world.channels if one.drain.is_on), None)
        if channel is None:
            gated = any(one.gate.is_on for one in self._world.channels)
            return "pinched" if gated else "unpowered"
        return "driven" if channel.source.is_on else "biased"

    # ------------------------------------------------------------------ the account

    def _finish(self, t: float) -> None:
        self._look(t)
        self.judge.see_deadlines(t)
        if self._account is not None:
            ended_s = round(t - self._begun_s, 6) if self._messages else 0.0
            account = {"messages": self._messages, "ended_s": ended_s, "faults": self._rows()}
            text = json.dumps({"twin": "account of faults", "version": 1, **account})
            self._account.write_text(text + "\n", encoding="utf-8")

    def _rows(self) -> list[dict[str, Any]]:
        return [self._row(planned) for planned in self.planned]

    def _row(self, planned: Planned) -> dict[str, Any]:
        """One fault, times in seconds since the first message; what never was is null."""

        def since(t: float) -> float | None:
            return round(t - self._begun_s, 6) if math.isfinite(t) else None

        struck = planned.struck
        return {
            "fault": str(planned.text),
            "instrument": planned.instrument,
            "came_s": None if struck is None else since(struck.came_s),
            "state": planned.where,
            "shown_s": None if struck is None else since(struck.shown_s),
            "safe_s": since(planned.safe_s),
            "trips": list(self._trips),
            "own_doing": [entry.detail for entry in self._twin.ledger.entries if entry.by == planned.fault.NAME],
        }
