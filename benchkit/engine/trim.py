"""The bounded search for the gate voltage at which the drain draws its quiescent current."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from benchkit.errors import QuiescentError
from benchkit.sequence.model import BiasSettings

__all__ = ["Target", "search"]

READINGS_MAX = 60
# Below this the search ends: finer than any supply sets.
GATE_RESOLUTION_V = 1e-4
UNHURT = "RF is off; the part is taken down to unpowered"


@dataclass(frozen=True)
class Target:
    """What is trimmed, for messages ("channel A", "drain 2 of A"), and to what. [A]"""

    what: str
    current_a: float
    tolerance_a: float


def search(target: Target, bias: BiasSettings, file_name: str, set_gate: Callable[[float], float]) -> int:
    """
    Gate upwards from `gate_from` until the drain draws the target current; never above `gate_to`, never a step larger than
    `gate_step_max`.

    Args:
        set_gate: Sets a gate voltage and returns the drain current read then; the gate is at `gate_from` or near it. [V] -> [A]

    Returns:
        How many readings it took.

    Raises:
        QuiescentError: Not reached between gate_from and gate_to, with what was reached and which key to look at.
    """
    goal = f"{target.current_a * 1e3:g} mA ± {target.tolerance_a * 1e3:g} mA"
    low_v = voltage_v = bias.gate_from_v
    current_a = low_a = set_gate(low_v)
    count = 1
    if low_a > target.current_a + target.tolerance_a:
        raise QuiescentError(
            f"{target.what}: already {low_a * 1e3:.4g} mA at gate_from {low_v:g} V, above the quiescent current {goal}. "
            f"{UNHURT}. Start lower ({file_name}: bias.gate_from), or see whether this is the part you think it is"
        )
    # Up in bounded steps until the target is bracketed; then interpolate inside the bracket.
    high_v = high_a = None
    while True:
        if abs(current_a - target.current_a) <= target.tolerance_a:
            return count
        if count >= READINGS_MAX:
            raise QuiescentError(
                f"{target.what}: quiescent current {goal} not met in {count} readings; last {current_a * 1e3:.4g} mA with the "
                f"gate at {voltage_v:.4g} V. {UNHURT}. Widen {file_name}: bias.tolerance, or look for an oscillation"
            )
        if high_v is None or high_a is None:
            if low_v >= bias.gate_to_v:
                raise QuiescentError(
                    f"{target.what}: quiescent current {goal} not reached: {current_a * 1e3:.4g} mA at gate_to "
                    f"{bias.gate_to_v:g} V. {UNHURT}. Is the drain connected? If the part needs more, raise {file_name}: "
                    "bias.gate_to"
                )
            voltage_v = min(low_v + bias.gate_step_max_v, bias.gate_to_v)
        else:
            if high_v - low_v < GATE_RESOLUTION_V:
                raise QuiescentError(
                    f"{target.what}: the gate cannot be set finely enough for {goal}: {low_a * 1e3:.4g} mA at {low_v:.5g} V and "
                    f"{high_a * 1e3:.4g} mA at {high_v:.5g} V. {UNHURT}. Widen {file_name}: bias.tolerance"
                )
            # Linear between the brackets, kept a tenth away from either so that the bracket always shrinks.
            part = (target.current_a - low_a) / (high_a - low_a)
            voltage_v = low_v + (high_v - low_v) * min(0.9, max(0.1, part))
        current_a = set_gate(voltage_v)
        count += 1
        if current_a < target.current_a:
            low_v, low_a = voltage_v, current_a
        else:
            high_v, high_a = voltage_v, current_a
