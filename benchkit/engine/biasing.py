"""
Biasing one channel: gate to pinch-off and verified, drain up in steps, gate trimmed by a bounded search; down in reverse.

Every step is read back before the next. What does not read as it should raises before anything more is switched on.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.clock import Clock
from benchkit.engine.bias import BiasEvent, BiasState, next_state
from benchkit.engine.hookup import Hookup
from benchkit.engine.walls import Walls
from benchkit.errors import ConditionError, InstrumentError, LimitError
from benchkit.sequence.load import Sequence

__all__ = ["BiasReading", "Biaser"]

DRAIN_STEPS = 4
# A voltage that reads further from its setting than this is not there: a short, a current limit, a lost sense wire.
VOLTAGE_AGREES_V = 0.1
VOLTAGE_AGREES_PART = 0.03
TRIM_READINGS_MAX = 60
# Below this the search ends: finer than any supply sets.
GATE_RESOLUTION_V = 1e-4


@dataclass(frozen=True)
class BiasReading:
    """Drain and gate as read back. [V, A]"""

    drain_voltage_v: float
    drain_current_a: float
    gate_voltage_v: float
    gate_current_a: float


class Biaser:
    """One channel's bias state and the only way to change it."""

    def __init__(self, hookup: Hookup, sequence: Sequence, clock: Clock, walls: Walls) -> None:
        self.hookup = hookup
        self.state = BiasState.UNPOWERED
        self._sequence = sequence
        self._clock = clock
        self._walls = walls
        self._supply_voltage_v = 0.0

    def bias_up(self, supply_voltage_v: float, *, gate_voltage_v: float | None = None) -> tuple[BiasReading, int]:
        """
        From unpowered to biased.

        Args:
            supply_voltage_v: Drain. [V]
            gate_voltage_v: Hold this gate voltage; None: trim to the quiescent current. [V]

        Returns:
            The bias reached, and how many readings the search took.

        Raises:
            LimitError, InstrumentError, ConditionError: It was not reached; what is on stays for make safe to take down.
        """
        self.gate_on()
        self.drain_on(supply_voltage_v)
        if gate_voltage_v is None:
            return self.trim()
        return self._step_gate_to(gate_voltage_v), 0

    def gate_on(self) -> None:
        """Gate to pinch-off, with its limits set and read back first, and verified at the gate."""
        target = next_state(self.state, BiasEvent.GATE_ON)
        bias, limits = self._sequence.file.bias, self._sequence.file.limits
        gate, output = self.hookup.gate, self.hookup.gate_output
        gate.set_current_limit(output, limits.gate_current_max_a)
        gate.set_over_voltage(output, max(abs(limits.gate_voltage_min_v), abs(limits.gate_voltage_max_v)))
        gate.set_voltage(output, bias.pinch_off_v)
        gate.check_errors()
        gate.output_on(output)
        self._clock.sleep(bias.settling_time_s)
        voltage_v, current_a = self._read_gate()
        if not self._agrees(voltage_v, bias.pinch_off_v):
            raise InstrumentError(
                gate.name,
                f"output {output} (gate {self.hookup.channel}) reads {voltage_v:.4g} V instead of pinch-off "
                f"{bias.pinch_off_v:.4g} V; the drain was not switched on",
            )
        self._check(BiasReading(0.0, 0.0, voltage_v, current_a))
        self.state = target

    def drain_on(self, supply_voltage_v: float) -> None:
        """Drain up in steps with the gate at pinch-off; at each the current must stay that of a device that is off."""
        target = next_state(self.state, BiasEvent.DRAIN_ON)
        bias, limits = self._sequence.file.bias, self._sequence.file.limits
        drain, output = self.hookup.drain, self.hookup.drain_output
        drain.set_current_limit(output, bias.drain_current_limit_a)
        drain.set_over_voltage(output, limits.drain_voltage_max_v)
        drain.set_over_current(output, True)
        drain.set_voltage(output, 0.0)
        drain.check_errors()
        drain.output_on(output)
        # From here on the drain may carry voltage: the state says so even if the next step fails.
        self.state = target
        for step in range(1, DRAIN_STEPS + 1):
            voltage_v = supply_voltage_v * step / DRAIN_STEPS
            drain.set_voltage(output, voltage_v)
            self._clock.sleep(max(bias.settling_time_s, drain.settling_time_s))
            reading = self.read()
            if reading.drain_current_a > bias.pinch_off_current_max_a:
                raise LimitError(
                    f"drain current at pinch-off, channel {self.hookup.channel}, drain at {voltage_v:.3g} V",
                    reading.drain_current_a,
                    bias.pinch_off_current_max_a,
                    "A",
                    f"{self._sequence.path.name}: bias.pinch_off_current_max",
                )
            self._require(reading.drain_voltage_v, voltage_v)
        self._supply_voltage_v = supply_voltage_v

    def trim(self) -> tuple[BiasReading, int]:
        """
        Gate upwards from `gate_from` until the drain draws the quiescent current; never above `gate_to`, never a step larger
        than `gate_step_max`.

        Raises:
            ConditionError: Not reached between gate_from and gate_to, with what was reached.
        """
        bias = self._sequence.file.bias
        self._require_biased("trim")
        low_v = bias.gate_from_v
        reading = self._step_gate_to(low_v)
        count = 1
        low_a = reading.drain_current_a
        if low_a > bias.quiescent_current_a + bias.tolerance_a:
            raise ConditionError(
                f"channel {self.hookup.channel}: already {low_a * 1e3:.4g} mA at gate_from {low_v:g} V, above the quiescent "
                f"current {bias.quiescent_current_a * 1e3:g} mA ({self._sequence.path.name}: bias.gate_from); start lower"
            )
        # Up in bounded steps until the target is bracketed; then halve or interpolate inside the bracket.
        high_v = high_a = None
        while True:
            if abs(reading.drain_current_a - bias.quiescent_current_a) <= bias.tolerance_a:
                return reading, count
            if count >= TRIM_READINGS_MAX:
                raise ConditionError(
                    f"channel {self.hookup.channel}: quiescent current {bias.quiescent_current_a * 1e3:g} mA ± "
                    f"{bias.tolerance_a * 1e3:g} mA not met in {count} readings; last {reading.drain_current_a * 1e3:.4g} mA at "
                    f"{reading.gate_voltage_v:.4g} V ({self._sequence.path.name}: bias.tolerance)"
                )
            if high_v is None or high_a is None:
                if low_v >= bias.gate_to_v:
                    raise ConditionError(
                        f"channel {self.hookup.channel}: quiescent current {bias.quiescent_current_a * 1e3:g} mA not reached: "
                        f"{reading.drain_current_a * 1e3:.4g} mA at gate_to {bias.gate_to_v:g} V "
                        f"({self._sequence.path.name}: bias.gate_to)"
                    )
                next_v = min(low_v + bias.gate_step_max_v, bias.gate_to_v)
            else:
                if high_v - low_v < GATE_RESOLUTION_V:
                    raise ConditionError(
                        f"channel {self.hookup.channel}: the gate cannot be set finely enough for {bias.tolerance_a * 1e3:g} mA: "
                        f"{low_a * 1e3:.4g} mA at {low_v:.5g} V and {high_a * 1e3:.4g} mA at {high_v:.5g} V "
                        f"({self._sequence.path.name}: bias.tolerance)"
                    )
                # Linear between the brackets, kept a tenth away from either so that the bracket always shrinks.
                part = (bias.quiescent_current_a - low_a) / (high_a - low_a)
                next_v = low_v + (high_v - low_v) * min(0.9, max(0.1, part))
            reading = self._set_gate(next_v)
            count += 1
            if reading.drain_current_a < bias.quiescent_current_a:
                low_v, low_a = next_v, reading.drain_current_a
            else:
                high_v, high_a = next_v, reading.drain_current_a

    def rf_on(self) -> None:
        """Note that RF comes on; only a biased device may be driven."""
        self.state = next_state(self.state, BiasEvent.RF_ON)

    def rf_off(self) -> None:
        self.state = next_state(self.state, BiasEvent.RF_OFF)

    def bias_down(self) -> None:
        """From biased to unpowered: gate to pinch-off, drain off and seen to fall, gate off."""
        self.drain_off()
        self.gate_off()

    def drain_off(self) -> None:
        target = next_state(self.state, BiasEvent.DRAIN_OFF)
        bias = self._sequence.file.bias
        gate, drain = self.hookup.gate, self.hookup.drain
        gate.set_voltage(self.hookup.gate_output, bias.pinch_off_v)
        self._clock.sleep(bias.settling_time_s)
        drain.set_voltage(self.hookup.drain_output, 0.0)
        self._clock.sleep(max(bias.settling_time_s, drain.settling_time_s))
        reading = self.read()
        self._require(reading.drain_voltage_v, 0.0)
        drain.output_off(self.hookup.drain_output)
        if drain.is_output_on(self.hookup.drain_output):
            raise InstrumentError(
                drain.name, f"output {self.hookup.drain_output} (drain {self.hookup.channel}) reads on after it was switched off"
            )
        self.state = target

    def gate_off(self) -> None:
        target = next_state(self.state, BiasEvent.GATE_OFF)
        self.hookup.gate.output_off(self.hookup.gate_output)
        self.state = target

    def read(self) -> BiasReading:
        """Drain and gate, read at one time and held against the limits."""
        drain, gate = self.hookup.drain, self.hookup.gate
        if drain is gate:
            drain.arm((self.hookup.drain_output, self.hookup.gate_output))
            values = drain.collect()
            (drain_v, drain_a), (gate_v, gate_a) = values[self.hookup.drain_output], values[self.hookup.gate_output]
        else:
            drain.arm((self.hookup.drain_output,))
            gate.arm((self.hookup.gate_output,))
            drain_v, drain_a = drain.collect()[self.hookup.drain_output]
            gate_v, gate_a = gate.collect()[self.hookup.gate_output]
        reading = BiasReading(drain_v, drain_a, gate_v, gate_a)
        self._check(reading)
        return reading

    def _read_gate(self) -> tuple[float, float]:
        self.hookup.gate.arm((self.hookup.gate_output,))
        return self.hookup.gate.collect()[self.hookup.gate_output]

    def _step_gate_to(self, voltage_v: float) -> BiasReading:
        """From pinch-off up to `voltage_v` in steps no larger than gate_step_max, reading at each."""
        bias = self._sequence.file.bias
        present_v = bias.pinch_off_v
        while True:
            present_v = min(present_v + bias.gate_step_max_v, voltage_v)
            reading = self._set_gate(present_v)
            if present_v >= voltage_v:
                return reading

    def _set_gate(self, voltage_v: float) -> BiasReading:
        bias = self._sequence.file.bias
        self.hookup.gate.set_voltage(self.hookup.gate_output, voltage_v)
        self._clock.sleep(max(bias.settling_time_s, self.hookup.gate.settling_time_s))
        reading = self.read()
        if not self._agrees(reading.gate_voltage_v, voltage_v):
            raise InstrumentError(
                self.hookup.gate.name,
                f"output {self.hookup.gate_output} (gate {self.hookup.channel}) reads {reading.gate_voltage_v:.4g} V instead of "
                f"{voltage_v:.4g} V",
            )
        self._require(reading.drain_voltage_v, self._supply_voltage_v)
        return reading

    def _require_biased(self, what: str) -> None:
        if self.state is not BiasState.BIASED:
            raise InstrumentError(self.hookup.drain.name, f"{what} needs a biased device; it is {self.state.value}")

    def _require(self, voltage_v: float, expected_v: float) -> None:
        if not self._agrees(voltage_v, expected_v):
            drain, output = self.hookup.drain, self.hookup.drain_output
            tripped = drain.is_tripped(output)
            cause = "its protection has tripped" if tripped else "it may be in current limit"
            raise InstrumentError(
                drain.name,
                f"output {output} (drain {self.hookup.channel}) reads {voltage_v:.4g} V instead of {expected_v:.4g} V; {cause}",
            )

    @staticmethod
    def _agrees(voltage_v: float, expected_v: float) -> bool:
        return abs(voltage_v - expected_v) <= VOLTAGE_AGREES_V + VOLTAGE_AGREES_PART * abs(expected_v)

    def _check(self, reading: BiasReading) -> None:
        self._walls.check(vars(reading), f"channel {self.hookup.channel}")
