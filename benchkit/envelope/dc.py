"""Supply voltages and currents against the device's limits and the supplies' ratings."""

from __future__ import annotations

from benchkit.bench.model import SupplySettings
from benchkit.envelope.margins import Findings
from benchkit.plan.plan import Plan

__all__ = ["prove_dc"]


def prove_dc(plan: Plan, findings: Findings) -> None:
    """Drain and gate of every channel, worst case: set value plus the supply's limit of error."""
    for channel in plan.channels:
        _prove_drain(plan, channel, findings)
        _prove_gate(channel, findings)


def _prove_drain(plan: Plan, channel: str, findings: Findings) -> None:
    sequence, bench = findings.sequence.file, findings.bench.file
    limits, bias = sequence.limits, sequence.bias
    pin = bench.wiring.channels[channel].drain
    supply = bench.instruments[pin.supply]
    assert isinstance(supply, SupplySettings), "load_bench checks roles"
    ratings = supply.channels[pin.channel]
    plane, key = f"drain pin, channel {channel}", f"instruments.{pin.supply}.channels.{pin.channel}"
    for index, voltage_v in enumerate(plan.supply_voltages_v):
        accuracy_v = abs(voltage_v) * ratings.voltage_accuracy.of_reading_percent / 100 + ratings.voltage_accuracy.floor_v
        worst_v = voltage_v + accuracy_v
        where = f"supply voltage {voltage_v:g} V"
        if not findings.not_above(
            plane, "voltage", worst_v, limits.drain_voltage_max_v, "V",
            where=where, source=findings.sequence_source("limits.drain_voltage_max"),
        ):  # fmt: skip
            findings.in_sequence(
                f"conditions.supply_voltage[{index}]",
                f"drain voltage {voltage_v:g} V with the supply's error of {accuracy_v:.3g} V is {worst_v:.4g} V, above "
                f"limits.drain_voltage_max {limits.drain_voltage_max_v:g} V",
            )
        if not findings.not_above(
            f"supply {pin.supply} output {pin.channel}", "voltage", voltage_v, ratings.voltage_max_v, "V",
            where=where, source=findings.bench_source(f"{key}.voltage_max"),
        ):  # fmt: skip
            findings.in_sequence(
                f"conditions.supply_voltage[{index}]",
                f"{voltage_v:g} V is above what the supply gives, {ratings.voltage_max_v:g} V "
                f"({findings.bench_source(key)}.voltage_max)",
            )
        if voltage_v <= 0:
            findings.in_sequence(f"conditions.supply_voltage[{index}]", f"{voltage_v:g} V: a drain voltage is above 0 V")
        if limits.dissipation_max_w is not None and not findings.not_above(
            plane, "dissipation", worst_v * _worst_current_a(bias.drain_current_limit_a, ratings), limits.dissipation_max_w, "W",
            where=f"{where}, drain at its current limit", source=findings.sequence_source("limits.dissipation_max"),
        ):  # fmt: skip
            findings.in_sequence(
                "bias.drain_current_limit",
                f"{worst_v:.3g} V times the current limit of {bias.drain_current_limit_a:g} A can dissipate "
                f"{worst_v * _worst_current_a(bias.drain_current_limit_a, ratings):.3g} W, above limits.dissipation_max "
                f"{limits.dissipation_max_w:g} W",
            )
    worst_a = _worst_current_a(bias.drain_current_limit_a, ratings)
    if not findings.not_above(
        plane, "current", worst_a, limits.drain_current_max_a, "A",
        where="supply's current limit", source=findings.sequence_source("limits.drain_current_max"),
    ):  # fmt: skip
        findings.in_sequence(
            "bias.drain_current_limit",
            f"{bias.drain_current_limit_a * 1e3:g} mA with the supply's error is {worst_a * 1e3:.4g} mA, above "
            f"limits.drain_current_max {limits.drain_current_max_a * 1e3:g} mA",
        )
    if not findings.not_above(
        f"supply {pin.supply} output {pin.channel}", "current", bias.drain_current_limit_a, ratings.current_max_a, "A",
        where="supply's current limit", source=findings.bench_source(f"{key}.current_max"),
    ):  # fmt: skip
        findings.in_sequence(
            "bias.drain_current_limit",
            f"{bias.drain_current_limit_a:g} A is above what the supply gives, {ratings.current_max_a:g} A "
            f"({findings.bench_source(key)}.current_max)",
        )
    if not limits.drain_voltage_max_v <= ratings.voltage_max_v * 1.1 and not ratings.without_over_voltage:
        # The over-voltage protection is set to the device's limit; an output that cannot go there needs none above its own top.
        findings.warn(
            f"{pin.supply} output {pin.channel}: its top of {ratings.voltage_max_v:g} V is below limits.drain_voltage_max"
        )


def _worst_current_a(limit_a: float, ratings: object) -> float:
    accuracy = ratings.current_accuracy  # type: ignore[attr-defined]  # SupplyChannelRatings; kept structural for tests
    return float(limit_a * (1 + accuracy.of_reading_percent / 100) + accuracy.floor_a)


def _prove_gate(channel: str, findings: Findings) -> None:
    sequence, bench = findings.sequence.file, findings.bench.file
    limits, bias = sequence.limits, sequence.bias
    pin = bench.wiring.channels[channel].gate
    supply = bench.instruments[pin.supply]
    assert isinstance(supply, SupplySettings), "load_bench checks roles"
    ratings = supply.channels[pin.channel]
    plane, key = f"gate pin, channel {channel}", f"instruments.{pin.supply}.channels.{pin.channel}"
    for name, voltage_v in (("pinch_off", bias.pinch_off_v), ("gate_from", bias.gate_from_v), ("gate_to", bias.gate_to_v)):
        accuracy_v = abs(voltage_v) * ratings.voltage_accuracy.of_reading_percent / 100 + ratings.voltage_accuracy.floor_v
        held = findings.not_above(
            plane, "voltage, upper", voltage_v + accuracy_v, limits.gate_voltage_max_v, "V",
            where=f"bias.{name}", source=findings.sequence_source("limits.gate_voltage_max"),
        ) and findings.not_below(
            plane, "voltage, lower", voltage_v - accuracy_v, limits.gate_voltage_min_v, "V",
            where=f"bias.{name}", source=findings.sequence_source("limits.gate_voltage_min"),
        )  # fmt: skip
        if not held:
            findings.in_sequence(
                f"bias.{name}",
                f"gate voltage {voltage_v:g} V with the supply's error of {accuracy_v:.3g} V leaves limits.gate_voltage_min to "
                f"gate_voltage_max ({limits.gate_voltage_min_v:g} V to {limits.gate_voltage_max_v:g} V)",
            )
        if not ratings.voltage_min_v <= voltage_v <= ratings.voltage_max_v:
            findings.in_sequence(
                f"bias.{name}",
                f"{voltage_v:g} V is outside what {pin.supply} output {pin.channel} gives, {ratings.voltage_min_v:g} V to "
                f"{ratings.voltage_max_v:g} V ({findings.bench_source(key)})",
            )
    if not findings.not_above(
        f"supply {pin.supply} output {pin.channel}", "current", limits.gate_current_max_a, ratings.current_max_a, "A",
        where="gate supply's current limit", source=findings.bench_source(f"{key}.current_max"),
    ):  # fmt: skip
        findings.in_sequence(
            "limits.gate_current_max",
            f"the gate supply's current limit is set to it, and {pin.supply} output {pin.channel} gives "
            f"{ratings.current_max_a:g} A at most",
        )
