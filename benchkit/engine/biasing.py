"""
Biasing one channel: every gate to pinch-off and verified, drains up in steps, gates trimmed by a bounded search; down in
reverse. Every step is read back before the next. What does not read as it should raises before anything more is switched on.

A channel may have several drains and gates (stages). Drains come on in the order the bench file lists them. With as many
gates as drains, and a share stated for each drain, every gate is trimmed until its own drain draws its share of the quiescent
current, one after the other; otherwise all gates move together and the sum of the drain currents is trimmed.

Channels that share a drain output: the gates of the others are brought to pinch-off with this channel's own, before the
drain, and held there as long as it is on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence as Seq
from dataclasses import dataclass

from benchkit.clock import Clock
from benchkit.engine.bias import BiasEvent, BiasState, next_state
from benchkit.engine.hookup import Hookup
from benchkit.engine.pins import Pin, PinReader, combined
from benchkit.engine.protections import Protections
from benchkit.engine.trim import Target, search
from benchkit.engine.walls import Walls
from benchkit.errors import InstrumentError, LimitError
from benchkit.sequence.load import Sequence

__all__ = ["BiasReading", "Biaser", "as_one", "check_each"]

DRAIN_STEPS = 4
# A voltage that reads further from its setting than this is not there: a short, a current limit, a lost sense wire.
VOLTAGE_AGREES_V = 0.1
VOLTAGE_AGREES_PART = 0.03

Values = Seq[tuple[float, float]]
"""Voltage and current, by pin. [V, A]"""


@dataclass(frozen=True)
class BiasReading:
    """Drain and gate as read back; of several stages see as_one(). [V, A]"""

    drain_voltage_v: float
    drain_current_a: float
    gate_voltage_v: float
    gate_current_a: float


def as_one(drains: Values, gates: Values) -> BiasReading:
    """Several stages as one: see combined() for drains; the last gate's voltage, and the gate current furthest from zero."""
    drain_v, drain_a = combined(drains)
    # Not a number counts as furthest: it must reach the walls.
    gate_a = max((current_a for _, current_a in gates), key=lambda a: (a != a, abs(a)))
    return BiasReading(drain_v, drain_a, gates[-1][0], gate_a)


def check_each(walls: Walls, drains: Values, gates: Values, where: str) -> None:
    """Every stage by itself against the limits; as_one() may hide a single one that is beyond."""
    for index in range(max(len(drains), len(gates))):
        drain, gate = drains[min(index, len(drains) - 1)], gates[min(index, len(gates) - 1)]
        walls.check(vars(BiasReading(*drain, *gate)), f"{where}, stage {index + 1}")


class Biaser:
    """
    One channel's bias state and the only way to change it.

    Attributes:
        last: The reading taken last; None before the first. What a wall refused is here too.
    """

    def __init__(self, hookup: Hookup, sequence: Sequence, clock: Clock, walls: Walls, protections: Protections) -> None:
        self.hookup = hookup
        self.state = BiasState.UNPOWERED
        self.last: BiasReading | None = None
        self._sequence = sequence
        self._clock = clock
        self._walls = walls
        self._protections = protections
        self._drain_v = [0.0] * len(hookup.drains)
        self._reader = PinReader((*hookup.drains, *hookup.gates, *hookup.held_gates))
        self._gate_reader = PinReader((*hookup.gates, *hookup.held_gates))
        self._where = f"channel {hookup.channel}"
        self._is_plain = len(hookup.drains) == len(hookup.gates) == 1

    @property
    def drain_set_v(self) -> tuple[float, ...]:
        """What each drain was brought to. [V]"""
        return tuple(self._drain_v)

    @property
    def gate_set_v(self) -> tuple[float, ...]:
        """What each gate was set to last. [V]"""
        return tuple(pin.supply.voltage_setpoint_v(pin.output) for pin in self.hookup.gates)

    def bias_up(self, supply_voltage_v: float, *, gates_v: Seq[float] | None = None) -> tuple[BiasReading, int]:
        """
        From unpowered to biased, and no protection has tripped on the way.

        Args:
            supply_voltage_v: Of drains without a voltage of their own. [V]
            gates_v: Hold these gate voltages; None: trim to the quiescent current. [V]

        Returns:
            The bias reached, and how many readings the search took.

        Raises:
            LimitError, InstrumentError, ConditionError: It was not reached; what is on stays for make safe to take down.
        """
        self.gate_on()
        self.drain_on(supply_voltage_v)
        steps = 0
        if gates_v is None:
            steps = self.trim()
        else:
            next_state(self.state, BiasEvent.TRIM)
            for pin, gate_v in zip(self.hookup.gates, gates_v, strict=True):
                self._approach((pin,), gate_v)
                self._set_gates((pin,), gate_v)
        self._protections.after_bias_up(self.hookup)
        return self.read(), steps

    def gate_on(self) -> None:
        """Every gate to pinch-off, verified; all protections set and read back first, drains' too."""
        target = next_state(self.state, BiasEvent.GATE_ON)
        bias = self._sequence.file.bias
        self._protections.before_power(self.hookup)
        gates = (*self.hookup.gates, *self.hookup.held_gates)
        for pin in gates:
            pin.supply.set_voltage(pin.output, bias.pinch_off_v)
        for supply in {id(pin.supply): pin.supply for pin in gates}.values():
            supply.check_errors()
        for pin in gates:
            pin.supply.output_on(pin.output)
        self._clock.sleep(max(bias.settling_time_s, *(pin.supply.settling_time_s for pin in gates)))
        self._require_pinched()
        self.state = target

    def drain_on(self, supply_voltage_v: float) -> None:
        """Drains up in steps, in their order, every gate at pinch-off; the current must stay that of a device that is off."""
        target = next_state(self.state, BiasEvent.DRAIN_ON)
        self._require_pinched()
        # From here on a drain may carry voltage: the state says so even if the next step fails.
        self.state = target
        for index, pin in enumerate(self.hookup.drains):
            pin.supply.set_voltage(pin.output, 0.0)
            pin.supply.check_errors()
            pin.supply.output_on(pin.output)
            top_v = supply_voltage_v if pin.voltage_v is None else pin.voltage_v
            for step in range(1, DRAIN_STEPS + 1):
                self._drain_v[index] = top_v * step / DRAIN_STEPS
                self._step_drain(pin, self._drain_v[index])

    def trim(self) -> int:
        """
        Gate, or gates, to the quiescent current; see the top of this file for several.

        Returns:
            How many readings it took.

        Raises:
            ConditionError: Not reached between gate_from and gate_to, with what was reached.
        """
        next_state(self.state, BiasEvent.TRIM)
        bias, drains, gates = self._sequence.file.bias, self.hookup.drains, self.hookup.gates
        shares = [pin.share for pin in drains if pin.share is not None]
        # Gates moved together, whose drain current is trimmed (-1: the sum), what that is called, its share.
        groups: list[tuple[tuple[Pin, ...], int, str, float]] = [(gates, -1, self._where, 1.0)]
        if len(drains) == len(gates) == len(shares) and len(gates) > 1:
            groups = [((gates[i],), i, drains[i].label, share) for i, share in enumerate(shares)]
        count = 0
        for moved, index, what, share in groups:
            self._approach(moved, bias.gate_from_v)

            def set_gate(voltage_v: float, moved: tuple[Pin, ...] = moved, index: int = index) -> float:
                currents = [current_a for _, current_a in self._set_gates(moved, voltage_v)]
                return sum(currents) if index < 0 else currents[index]

            target = Target(what, bias.quiescent_current_a * share, bias.tolerance_a * share)
            count += search(target, bias, self._sequence.path.name, set_gate)
        return count

    def rf_on(self) -> None:
        """Note that RF comes on; only a biased device may be driven."""
        self.state = next_state(self.state, BiasEvent.RF_ON)

    def rf_off(self) -> None:
        self.state = next_state(self.state, BiasEvent.RF_OFF)

    def made_safe(self) -> None:
        """Note that make safe has been through, and verified it."""
        self.state = next_state(self.state, BiasEvent.MAKE_SAFE)

    def bias_down(self) -> None:
        """From biased to unpowered: gates to pinch-off, drains off in reverse order and seen to fall, gates off."""
        self.drain_off()
        self.gate_off()

    def drain_off(self) -> None:
        target = next_state(self.state, BiasEvent.DRAIN_OFF)
        bias = self._sequence.file.bias
        for pin in self.hookup.gates:
            pin.supply.set_voltage(pin.output, bias.pinch_off_v)
        self._clock.sleep(bias.settling_time_s)
        for index, pin in reversed(list(enumerate(self.hookup.drains))):
            pin.supply.set_voltage(pin.output, 0.0)
            self._drain_v[index] = 0.0
            self._clock.sleep(max(bias.settling_time_s, pin.supply.settling_time_s))
            self._read_all()
            pin.supply.output_off(pin.output)
            _require_off(pin)
        self.state = target

    def gate_off(self) -> None:
        target = next_state(self.state, BiasEvent.GATE_OFF)
        for pin in (*self.hookup.gates, *self.hookup.held_gates):
            pin.supply.output_off(pin.output)
            _require_off(pin)
        self.state = target

    def read(self) -> BiasReading:
        """Drain and gate, read at one time and held against the limits."""
        self._read_all()
        assert self.last is not None, "set by reading"
        return self.last

    def check_held(self) -> None:
        """
        The gates of other channels on the same drain output must still be at pinch-off.

        Raises:
            InstrumentError: One is not.
        """
        if self.hookup.held_gates:
            self._read_all()

    def _read_all(self) -> tuple[Values, Values]:
        """Every pin read and checked: limits, drains where they were brought, held gates at pinch-off. Drains and gates."""
        values = self._reader.read()
        drain_count, gate_count = len(self.hookup.drains), len(self.hookup.gates)
        drains, gates = values[:drain_count], values[drain_count : drain_count + gate_count]
        self.last = as_one(drains, gates)
        self._walls.check(vars(self.last), self._where)
        if not self._is_plain:
            check_each(self._walls, drains, gates, self._where)
        for pin, (voltage_v, _) in zip(self.hookup.held_gates, values[drain_count + gate_count :], strict=True):
            self._require_at_pinch_off(pin, voltage_v)
        for pin, (voltage_v, _), expected_v in zip(self.hookup.drains, drains, self._drain_v, strict=True):
            self._require_drain(pin, voltage_v, expected_v)
        return drains, gates

    def _step_drain(self, pin: Pin, voltage_v: float) -> None:
        bias = self._sequence.file.bias
        pin.supply.set_voltage(pin.output, voltage_v)
        self._clock.sleep(max(bias.settling_time_s, pin.supply.settling_time_s))
        total_a = sum(current_a for _, current_a in self._read_all()[0])
        # One output may feed several channels, all of them off: each may leak.
        limit_a = bias.pinch_off_current_max_a * (1 + len(self.hookup.sharing))
        if not total_a <= limit_a:
            raise LimitError(
                f"drain current at pinch-off, {self._where}, {pin.label} at {voltage_v:.3g} V",
                total_a,
                limit_a,
                "A",
                f"{self._sequence.path.name}: bias.pinch_off_current_max",
            )

    def _require_pinched(self) -> None:
        """Read at the gates: each at pinch-off."""
        gates = (*self.hookup.gates, *self.hookup.held_gates)
        values = self._gate_reader.read()
        for pin, (voltage_v, current_a) in zip(gates, values, strict=True):
            self.last = BiasReading(0.0, 0.0, voltage_v, current_a)
            self._walls.check(vars(self.last), self._where)
            self._require_at_pinch_off(pin, voltage_v)

    def _approach(self, gates: Seq[Pin], voltage_v: float) -> None:
        """From pinch-off to within one step of `voltage_v`, reading at each step."""
        bias = self._sequence.file.bias
        steps = math.ceil((voltage_v - bias.pinch_off_v) / bias.gate_step_max_v - 1e-9)
        for step in range(1, steps):
            present_v = bias.pinch_off_v + step * bias.gate_step_max_v
            self._set_gates(gates, present_v)
            present_v += bias.gate_step_max_v

    def _set_gates(self, gates: Seq[Pin], voltage_v: float) -> Values:
        """Set these gates, let them settle, read everything. Returns the drains."""
        bias = self._sequence.file.bias
        for pin in gates:
            pin.supply.set_voltage(pin.output, voltage_v)
        self._clock.sleep(max(bias.settling_time_s, *(pin.supply.settling_time_s for pin in gates)))
        drains, read = self._read_all()
        for pin, (actual_v, _) in zip(self.hookup.gates, read, strict=True):
            if pin in gates and not _agrees(actual_v, voltage_v):
                raise InstrumentError(
                    pin.supply.name, f"output {pin.output} ({pin.label}) reads {actual_v:.4g} V instead of {voltage_v:.4g} V"
                )
        return drains

    def _require_at_pinch_off(self, pin: Pin, voltage_v: float) -> None:
        pinch_off_v = self._sequence.file.bias.pinch_off_v
        if not _agrees(voltage_v, pinch_off_v):
            is_off = self.state in (BiasState.UNPOWERED, BiasState.PINCHED)
            drain = "its drain was not switched on" if is_off else "its drain is on"
            raise InstrumentError(
                pin.supply.name,
                f"output {pin.output} ({pin.label}) reads {voltage_v:.4g} V instead of pinch-off {pinch_off_v:.4g} V; {drain}. "
                "Look at the gate's lead and at what else is connected to it before you try again",
            )

    def _require_drain(self, pin: Pin, voltage_v: float, expected_v: float) -> None:
        if not _agrees(voltage_v, expected_v):
            tripped = pin.supply.is_tripped(pin.output)
            cause = "its protection has tripped" if tripped else "it is in current limit, or its lead has come loose"
            raise InstrumentError(
                pin.supply.name,
                f"output {pin.output} ({pin.label}) reads {voltage_v:.4g} V instead of {expected_v:.4g} V; {cause}",
            )


def _agrees(voltage_v: float, expected_v: float) -> bool:
    return abs(voltage_v - expected_v) <= VOLTAGE_AGREES_V + VOLTAGE_AGREES_PART * abs(expected_v)


def _require_off(pin: Pin) -> None:
    if pin.supply.is_output_on(pin.output):
        raise InstrumentError(pin.supply.name, f"output {pin.output} ({pin.label}) reads on after it was switched off")
