"""The order of operations, as the plan's structure gives it: what is on when, and what never changes meanwhile."""

from __future__ import annotations

from benchkit.envelope.dc import supplied_a, supplied_v, together
from benchkit.envelope.drain import output_ratings
from benchkit.envelope.margins import Findings, shown
from benchkit.envelope.protections import drain_protection
from benchkit.plan.plan import Plan

__all__ = ["order_of_operations"]


def order_of_operations(plan: Plan, findings: Findings) -> tuple[str, ...]:
    """
    What holds at every condition of the plan, in words. The engine's table of bias states (benchkit.engine.bias) has no other
    order; each condition is one walk through it.
    """
    sequence, wiring = findings.sequence.file, findings.bench.file.wiring
    bias = sequence.bias
    lines = [
        f"at each condition ({plan.biased_count}): gate to {shown(bias.pinch_off_v, 'V')} and read back, drain up from 0 V in "
        "steps, gate trimmed, RF last; down in reverse, and so at every exit"
    ]
    if any(block.power_before() is not None for block in plan.measurements):
        lines.append(
            "before the first condition, the part unpowered and taken off, RF is on for one power reading at a time; it and "
            "every supply output read off before hands connect anything"
        )
    if any(block.drives for _, block in plan.asked()):
        lines.append(
            "a source's RF comes on only on a biased device, at its ladder's lowest level, and is off before the frequency "
            "changes"
        )
    if any(block.is_unpowered for block in plan.measurements):
        lines.append(
            "what is measured of the unpowered device comes first at each temperature and channel: every supply output and every "
            "source read off, no drain with voltage or current, and RF from the network analyser alone"
        )
    if any(block.before_drive for block in plan.measurements):
        lines.append(
            "an oscillation ends the run before anything is driven at its condition; where it can't be told nothing is driven"
        )
    if any(block.two_tones() is not None for block in plan.measurements):
        before = any(asked.uses("second source") for block in plan.measurements if (asked := block.power_before()) is not None)
        lines.append(
            f"the second source is on for two-tone ladders {'and its own path ' if before else ''}only, and reads off with the "
            "first before anything else is done"
        )
    if any(wiring.channels[channel].position is not None for channel in plan.channels):
        network = any("network" in block.needs for block in plan.measurements)
        lines.append(
            "the switch is set at the beginning of a condition, with RF, drain and gate off, and "
            + ("for S-parameters, with RF read back off at every port" if network else "at no other time")
        )
    lines += _trim(plan, findings)
    return tuple(lines)


def _trim(plan: Plan, findings: Findings) -> list[str]:
    sequence, wiring = findings.sequence.file, findings.bench.file.wiring
    bias = sequence.bias
    step_v = acts_a = 0.0
    for channel in plan.channels:
        channel_wiring = wiring.channels[channel]
        for gate in channel_wiring.gates:
            accuracy = output_ratings(findings, gate).voltage_accuracy
            # A step ends at most this far from where it began: one end high, the other low.
            errors_v = sum(supplied_v(value_v, accuracy).highest - value_v for value_v in (bias.pinch_off_v, bias.gate_from_v))
            step_v = max(step_v, min(bias.gate_step_max_v, bias.gate_to_v - bias.pinch_off_v) + errors_v)
        limits = [
            supplied_a(
                drain_protection(sequence, pin.share, pin.voltage_v).current_limit_a,
                output_ratings(findings, pin).current_accuracy,
            )
            for pin in channel_wiring.drains
        ]
        acts_a = max(acts_a, together(limits).highest)
    return [
        f"the trim takes the gate from {shown(bias.gate_from_v, 'V')} to {shown(bias.gate_to_v, 'V')} at most, with a reading "
        f"after each step; with the supply's errors no step is above {shown(step_v, 'V')}",
        f"whatever the device draws on that way, even within one step, the drain supply ends it at {shown(acts_a, 'A')} or below "
        f"(limits.drain_current_max: {shown(sequence.limits.drain_current_max_a, 'A')})",
    ]
