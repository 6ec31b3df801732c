"""
Make safe: RF off, then drain off, then gate off, each read back; then the chamber to idle. The one routine of every exit.

Its rules:

1. Everything is tried, whatever happens to anything else; everything that could not be done or verified is told.
2. An instrument that does not answer keeps nothing else on. There are two rounds in the same order: in the first no wait is
   longer than FIRST_WAIT_S, and what was not verified then is tried again in the second, when the rest is off. Most
   instruments do what they were told even when they are too busy to say so.
3. A gate is removed only when every drain it holds off is verified off, and is then seen to be gone. Until then it is held at
   pinch-off: without its gate a depletion-mode part draws all that the drain supply gives.
4. Nothing is ever switched on.
5. A chamber comes last, since a part without power can wait for it; one that does not answer is asked twice.
6. A blocked reading blocks nothing: abandoning it drops the connection, and the next message goes over a new one.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Mapping
from functools import partial

from benchkit.bench.model import BenchFile
from benchkit.clock import Clock
from benchkit.errors import BenchkitError, InstrumentError
from benchkit.roles import Chamber, Instrument, NetworkAnalyser, Source, Supply

__all__ = ["make_bench_safe"]

FIRST_WAIT_S = 0.3
SECOND_WAIT_S = 2.0
# A drain counts as off below this. A depletion-mode part must keep its gate until then.
DRAIN_OFF_V = 0.5
FALL_S = 1.0
FALL_POLL_S = 0.02
HELD_WITHIN_V = 0.2
# A gate counts as gone below this magnitude: nearer to 0 V than any pinch-off.
GATE_OFF_V = 0.2

Output = tuple[str, int]
"""A supply's name and the number of one of its outputs."""


def make_bench_safe(
    bench: BenchFile,
    instruments: Mapping[str, Instrument],
    clock: Clock,
    *,
    hold_gate_v: float | None,
    idle_temperature_degc: float | None,
) -> list[str]:
    """
    Args:
        instruments: Those that are open, by name. A drain whose supply is not among them counts as not verified off.
        hold_gate_v: Where a gate is held whose drain could not be verified off; None: as it is. [V]
        idle_temperature_degc: Where the chamber is sent; None: left alone. [degC]

    Returns:
        What could not be done or verified, in so many words; empty: all is safe.
    """
    safety = _Safety(bench, instruments, clock, hold_gate_v)
    try:
        safety.round(FIRST_WAIT_S)
        if safety.failures:
            safety.round(SECOND_WAIT_S)
        if idle_temperature_degc is not None:
            safety.chambers_to(idle_temperature_degc, SECOND_WAIT_S)
    finally:
        safety.limit_waits(None)
    return list(safety.failures.values())


class _Safety:
    def __init__(
        self, bench: BenchFile, instruments: Mapping[str, Instrument], clock: Clock, hold_gate_v: float | None
    ) -> None:
        self.failures: dict[tuple[str, ...], str] = {}
        self._instruments = instruments
        self._clock = clock
        self._hold_gate_v = hold_gate_v
        self._done: set[tuple[str, ...]] = set()
        self._drains: dict[Output, list[str]] = {}
        self._gates: dict[Output, list[str]] = {}
        self._holds: dict[Output, set[Output]] = {}
        for channel, wiring in bench.wiring.channels.items():
            drains = [(pin.supply, pin.channel) for pin in wiring.drains]
            for drain in drains:
                self._drains.setdefault(drain, []).append(channel)
            for pin in wiring.gates:
                gate = (pin.supply, pin.channel)
                self._gates.setdefault(gate, []).append(channel)
                self._holds.setdefault(gate, set()).update(drains)

    def limit_waits(self, timeout_s: float | None) -> None:
        for instrument in self._instruments.values():
            if not instrument.is_closed:
                instrument.limit_waits(timeout_s)

    def round(self, longest_wait_s: float) -> None:
        """Everything that is not verified yet, once, in order. [s]"""
        self.limit_waits(longest_wait_s)
        # Whatever else an instrument may give off: sources first, and nothing is left out because nobody thought of its role.
        others = [(name, one) for name, one in self._instruments.items() if not isinstance(one, (Supply, Chamber))]
        for name, one in sorted(others, key=lambda pair: not isinstance(pair[1], (Source, NetworkAnalyser))):
            self._attempt(("RF", name), f"RF off ({name})", one.make_safe, f"switch RF off at {name} itself")
        off = [(output, supply) for output in self._drains if (supply := self._supply(output)) is not None]
        self._tell_all(off)
        for (name, number), supply in off:
            self._attempt(
                ("drain", name, str(number)),
                f"drain {_list(self._drains[name, number])} off ({name} output {number})",
                partial(supply.make_output_safe, number),
                f"it may be ON: switch {name} output {number} off at {name} itself, before anything else",
            )
        # All drains are off before any is waited for.
        for (name, number), supply in off:
            if ("drain", name, str(number)) in self._done:
                self._attempt(
                    ("fallen", name, str(number)),
                    f"drain {_list(self._drains[name, number])} down ({name} output {number})",
                    partial(self._await_fall, supply, number, DRAIN_OFF_V),
                    "touch nothing until a voltmeter at the drain reads below "
                    f"{DRAIN_OFF_V:g} V: something charged feeds it, or the supply does not do what it says",
                )
        for output in self._gates:
            self._gate(output)

    def chambers_to(self, idle_degc: float, longest_wait_s: float) -> None:
        self.limit_waits(longest_wait_s)
        for name, chamber in self._instruments.items():
            if not isinstance(chamber, Chamber):
                continue
            # A second time, over a new connection if the first broke it; not at all if the first was enough.
            for _ in range(2):
                self._attempt(
                    ("chamber", name),
                    f"chamber to idle at {idle_degc:+g} °C ({name})",
                    partial(_send_to_idle, chamber, idle_degc),
                    f"it may still be hot or cold: set {idle_degc:+g} °C at {name} itself",
                )

    def _tell_all(self, off: list[tuple[Output, Supply]]) -> None:
        """
        Tell a supply of several drains to switch each off before it is asked about any: one that is too busy to answer may
        still listen. What goes wrong here goes wrong again where it is verified, and is told there.
        """
        for supply in {id(supply): supply for _, supply in off}.values():
            numbers = [number for (name, number), its in off if its is supply and ("drain", name, str(number)) not in self._done]
            if len(numbers) > 1:
                with contextlib.suppress(Exception):
                    supply.abandon()
                    for number in numbers:
                        supply.output_off(number)

    def _gate(self, output: Output) -> None:
        supply, (name, number) = self._supply(output), output
        if supply is None:
            return
        channels = _list(self._gates[output])
        key, held = ("gate", name, str(number)), ("held", name, str(number))
        missing = [drain for drain in sorted(self._holds[output]) if ("fallen", drain[0], str(drain[1])) not in self._done]
        if not missing:
            self.failures.pop(held, None)
            self._attempt(
                key,
                f"gate {channels} off ({name} output {number})",
                partial(supply.make_output_safe, number),
                f"its drain is off; switch {name} output {number} off at {name} itself",
            )
            if key in self._done:
                self._attempt(
                    ("gone", name, str(number)),
                    f"gate {channels} gone ({name} output {number})",
                    partial(self._await_fall, supply, number, GATE_OFF_V),
                    f"its drain is off; switch {name} off by its mains switch before you touch the part or its leads",
                )
            return
        if held in self._done:
            return
        drains = ", ".join(f"{drain_name} output {drain_number}" for drain_name, drain_number in missing)
        where = "as it is" if self._hold_gate_v is None else f"at {self._hold_gate_v:g} V"
        is_on = True
        try:
            is_on = self._hold(supply, number)
        except Exception as error:  # noqa: BLE001 - whatever it is, the next gate must be held too
            self.failures[held] = (
                f"gate {channels} may not be held {where} ({name} output {number}): {_said(error)}; do not switch it off before "
                f"{drains} is off"
            )
            return
        if is_on:
            self.failures[held] = (
                f"gate {channels} left on {where} ({name} output {number}), because its drain could not be verified off "
                f"({drains}); switch that off first, then this"
            )

    def _hold(self, supply: Supply, number: int) -> bool:
        """Pinch-off, read back. Whether the output is on; one that is off is left off."""
        supply.abandon()
        if self._hold_gate_v is not None:
            # First, before any question: the question may be the one that is not answered.
            supply.set_voltage(number, self._hold_gate_v)
        if not supply.is_output_on(number):
            return False
        if self._hold_gate_v is not None:
            supply.arm((number,))
            voltage_v, _ = supply.collect()[number]
            if not abs(voltage_v - self._hold_gate_v) <= HELD_WITHIN_V:
                raise InstrumentError(
                    supply.name, f"output {number} reads {voltage_v:.4g} V instead of pinch-off {self._hold_gate_v:g} V"
                )
        return True

    def _await_fall(self, supply: Supply, number: int, off_v: float) -> None:
        """Capacitors hold an output up after it is off: wait until it is seen to have fallen, whatever its sign. [V]"""
        supply.abandon()
        waited_s = 0.0
        while True:
            supply.arm((number,))
            voltage_v, _ = supply.collect()[number]
            if abs(voltage_v) < off_v:  # not a number is not below
                return
            if waited_s >= FALL_S:
                reads = "no number" if math.isnan(voltage_v) else f"{voltage_v:.3g} V"
                raise InstrumentError(supply.name, f"output {number} is off but reads {reads} after {waited_s:.1f} s")
            self._clock.sleep(FALL_POLL_S)
            waited_s += FALL_POLL_S

    def _supply(self, output: Output) -> Supply | None:
        supply = self._instruments.get(output[0])
        return supply if isinstance(supply, Supply) else None

    def _attempt(self, key: tuple[str, ...], what: str, act: Callable[[], None], advice: str) -> None:
        """Once, unless it is done already. A success takes back what was told of it in the first round."""
        if key in self._done:
            return
        try:
            act()
        except Exception as error:  # noqa: BLE001 - whatever it is, the rest must be made safe too
            self.failures[key] = f"{what}: {_said(error)}; {advice}"
        else:
            self._done.add(key)
            self.failures.pop(key, None)


def _send_to_idle(chamber: Chamber, idle_degc: float) -> None:
    chamber.abandon()
    chamber.set_temperature(idle_degc)
    chamber.check_errors()


def _said(error: Exception) -> str:
    # An error of roles says already which of several attempts failed; anything else is foreign and shows its name.
    failures = getattr(error, "failures", None)
    if failures:
        return "; ".join(failures)
    return str(error) if isinstance(error, BenchkitError) else f"{type(error).__name__}: {error}"


def _list(channels: list[str]) -> str:
    return " and ".join(channels)
