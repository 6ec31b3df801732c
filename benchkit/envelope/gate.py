"""The gate of every channel: pinch-off, both ends of the trim, and the gate supply's limits."""

from __future__ import annotations

from benchkit.bench.model import SupplyPin
from benchkit.envelope.dc import gate_voltage, supplied_a, supplied_v
from benchkit.envelope.drain import output_ratings
from benchkit.envelope.interval import Interval
from benchkit.envelope.margins import Check, Findings, Point, in_bench, in_sequence, shown
from benchkit.envelope.protections import OverVoltage, Protection, gate_protection, prove_over_voltage
from benchkit.plan.plan import Plan

__all__ = ["prove_gates"]


def prove_gates(plan: Plan, findings: Findings) -> list[Protection]:
    """Every voltage the gate is set to lies between pinch-off and gate_to; returns what is set as protection."""
    rows = []
    for channel in plan.channels:
        for pin in findings.bench.file.wiring.channels[channel].gates:
            _prove_voltages(channel, pin, findings)
            _prove_pinch_off(pin, findings)
            rows += _prove_protections(channel, pin, findings)
    return rows


def _prove_voltages(channel: str, pin: SupplyPin, findings: Findings) -> None:
    sequence = findings.sequence.file
    limits, bias = sequence.limits, sequence.bias
    ratings = output_ratings(findings, pin)
    output, key = f"{pin.supply} output {pin.channel}", f"instruments.{pin.supply}.channels.{pin.channel}"
    for name, set_v in (("pinch_off", bias.pinch_off_v), ("gate_from", bias.gate_from_v), ("gate_to", bias.gate_to_v)):
        at, point = in_sequence(f"bias.{name}"), Point(note=f"bias.{name}", channel=channel)
        given = supplied_v(set_v, ratings.voltage_accuracy)
        for end, is_lower, worst_v, limit_v, rating_v in (
            ("max", False, given.highest, limits.gate_voltage_max_v, ratings.voltage_max_v),
            ("min", True, given.lowest, limits.gate_voltage_min_v, ratings.voltage_min_v),
        ):
            quantity = "voltage, lower" if is_lower else "voltage, upper"
            limit_at, rating_at = in_sequence(f"limits.gate_voltage_{end}"), in_bench(f"{key}.voltage_{end}")
            findings.hold(
                Check(f"gate pin, channel {channel}", quantity, worst_v, limit_v, "V", limit_at, point, is_lower),
                at,
                f"{shown(set_v, 'V')} at the gate can be {shown(worst_v, 'V')} ({output} is off by up to "
                f"{shown(given.highest - set_v, 'V')})",
            )
            findings.hold(
                Check(f"supply {pin.supply}, channel {channel}", quantity, set_v, rating_v, "V", rating_at, point, is_lower),
                at,
                f"{shown(set_v, 'V')} is more than {output} gives",
            )


def _prove_pinch_off(pin: SupplyPin, findings: Findings) -> None:
    """Errors and all, pinch-off lies below where the trim begins: or it would hold off no better than that."""
    bias = findings.sequence.file.bias
    accuracy = output_ratings(findings, pin).voltage_accuracy
    pinched, first = supplied_v(bias.pinch_off_v, accuracy), supplied_v(bias.gate_from_v, accuracy)
    if not pinched.highest < first.lowest:
        findings.refuse(
            in_sequence("bias.pinch_off"),
            f"{shown(bias.pinch_off_v, 'V')} can be {shown(pinched.highest, 'V')}, and gate_from {shown(first.lowest, 'V')}, by "
            f"the error of {pin.supply} output {pin.channel}: pinch-off would hold the device off no better than where the trim "
            "begins; state a lower pinch-off",
        )


def _prove_protections(channel: str, pin: SupplyPin, findings: Findings) -> list[Protection]:
    sequence = findings.sequence.file
    limits, settings = sequence.limits, gate_protection(sequence)
    ratings = output_ratings(findings, pin)
    output, key = f"{pin.supply} output {pin.channel}", f"instruments.{pin.supply}.channels.{pin.channel}"
    limit_at = in_sequence("limits.gate_current_max")
    findings.hold(
        Check(
            f"supply {pin.supply}, channel {channel}", "current", settings.current_limit_a, ratings.current_max_a, "A",
            in_bench(f"{key}.current_max"), Point(note="at the current limit", channel=channel),
        ),
        limit_at,
        f"the gate supply's current limit is set to {shown(settings.current_limit_a, 'A')}, more than {output} takes",
    )  # fmt: skip
    acts_a = supplied_a(settings.current_limit_a, ratings.current_accuracy).highest
    excess_a = acts_a - limits.gate_current_max_a
    if excess_a > 0:
        findings.leave_open(
            f"the gate's last {shown(excess_a, 'A')}: the gate supply's current limit is set to limits.gate_current_max itself "
            f"and acts by {shown(acts_a, 'A')}; each reading is judged"
        )
    is_low = abs(limits.gate_voltage_min_v) >= abs(limits.gate_voltage_max_v)
    over_voltage = OverVoltage(
        pin.supply, pin.channel, ratings, "gate", settings.over_voltage_v, gate_voltage(sequence, ratings.voltage_accuracy),
        Interval.between(limits.gate_voltage_min_v, limits.gate_voltage_max_v),
        in_sequence("limits.gate_voltage_min" if is_low else "limits.gate_voltage_max"),
    )  # fmt: skip
    current = Protection(
        what=f"current limit of {output}",
        setting=settings.current_limit_a,
        unit="A",
        plan_reaches=None,
        guards=f"gate, {shown(limits.gate_current_max_a, 'A')}; acts by {shown(acts_a, 'A')}",
        limit=limits.gate_current_max_a,
        limit_from=findings.source(limit_at),
        is_set=True,
    )
    return [prove_over_voltage(over_voltage, findings), current]
