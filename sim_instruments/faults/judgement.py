"""
Whose doing an entry in the ledger is, when faults were asked for.

A fault can hurt the device before anybody can act: a source whose output stage runs away puts 10 dB too much into the part
within a microsecond. The ledger would be no use if that were held against the software, and no use either if it excused
what the software then does. So an entry is the fault's own doing only if all of this holds:

1. Its kind is one that this fault brings about by its own physics and that no protection could have held back; each fault
   lists them (`excuses`), and the lists are short. A lost gate excuses the missing gate; it does not excuse the drain
   current that follows, for the supply's current limit and trip, set beforehand, hold that, and act in the twin at once.
2. It began after the fault.
3. It ends in time: within REACTION_S of the moment at which the first reading that shows the fault was handed over, and in
   any case within AT_MOST_S of the fault. What still goes on then is entered once more, and charged ("not ended in time").
   That is the promise: one reading, and make safe.
4. Lasting entries (an output left on) are excused only where nobody can reach or move that output any more.

And one thing is charged that is no abuse without a fault: once a fault that needs a stop has shown, any step up of level,
drain or gate, and anything switched on ("energised further after a fault had shown"). From there on the only way is down.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from sim_instruments.faults.base import Excuse, Scene, TwinFault
from sim_instruments.ledger import Abuse, Ledger
from sim_instruments.world import World

__all__ = ["AT_MOST_S", "REACTION_S", "Judge", "Struck"]

REACTION_S = 0.25
AT_MOST_S = 2.0
# Steps smaller than this are a supply's or a source's own resolution and error.
STEP_DB, STEP_V = 0.1, 0.02


@dataclass
class Struck:
    """One fault that has come."""

    fault: TwinFault
    scene: Scene
    came_s: float
    excuses: tuple[Excuse, ...]
    shown_s: float = math.inf
    excused: set[str] = field(default_factory=set)
    is_over: bool = False

    @property
    def deadline_s(self) -> float:
        """Until when its own doing must have ended. [s]"""
        return min(self.shown_s + REACTION_S, self.came_s + AT_MOST_S)


class Judge:
    """Answers the ledger's question, and enters what a fault is no excuse for."""

    def __init__(self, world: World, ledger: Ledger) -> None:
        self.struck: list[Struck] = []
        self._world, self._ledger = world, ledger
        self._before: dict[str, tuple[bool, float]] = {}
        self._charged_steps: set[str] = set()
        ledger.judge = self.whose

    def whose(self, t: float, what: str, detail: str) -> str:
        """The fault whose own doing an entry is; "": charged. [s]"""
        for one in self.struck:
            if t < one.came_s:
                continue
            for excuse in one.excuses:
                if what == excuse.what and excuse.where in detail and (excuse.lasting or t <= one.deadline_s):
                    one.excused.add(what)
                    return one.fault.NAME
        return ""

    def see_deadlines(self, t: float) -> None:
        """What had to be over by now, and is not. [s]"""
        due = [one for one in self.struck if one.deadline_s <= t and not one.is_over]
        if not due:
            return
        # First: the world notices what has happened up to now only when it is asked.
        going_on = self._world.going_on(t)
        for one in due:
            one.is_over = True
            lasting = {excuse.what for excuse in one.excuses if excuse.lasting}
            for where, what in sorted(going_on):
                if what in one.excused - lasting:
                    after_ms = 1e3 * (t - one.came_s)
                    self._ledger.note(t, Abuse.STILL, f"{where}: {what}, {after_ms:.0f} ms after {one.fault.NAME}")

    def see_steps(self, t: float) -> None:
        """Whether anything was switched on or stepped up since the last message, after a fault had shown. [s]"""
        ports = self._world.ports
        now = {name: (source.is_on, source.target_dbm) for name, source in ports.sources.items()}
        now |= {port.label: (port.is_on, port.target_v) for port in ports.supplies.values()}
        before, self._before = self._before, now
        shown = [one for one in self.struck if one.fault.NEEDS_STOP and one.shown_s < t]
        if not shown or not before:
            return
        gates = {channel.gate.label for channel in self._world.channels}
        for name, (is_on, value) in now.items():
            was_on, was = before[name]
            step = STEP_DB if name in ports.sources else STEP_V
            # A gate that is switched off goes up to 0 V; whether its drain is off by then is the ledger's own question.
            if not is_on or (was_on and value <= was + step) or (name in gates and not was_on):
                continue
            if name not in self._charged_steps:
                self._charged_steps.add(name)
                how = f"up from {was:.4g} to {value:.4g}" if was_on else "switched on"
                self._ledger.note(t, Abuse.ENERGISED_ON, f"{name}: {how}, after {shown[0].fault.NAME} had shown")
