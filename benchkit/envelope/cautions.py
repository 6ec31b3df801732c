"""
The hazards of one sequence on one bench. Common practice, no source; local rules and licensed practice come first.
"""

from __future__ import annotations

from benchkit.bench.load import Bench
from benchkit.bench.model import ChamberSettings
from benchkit.sequence.load import Sequence

__all__ = ["cautions"]

# What a part without a heat sink turns into a burn (common practice, no source).
WARM_W = 2.0
TOO_HOT_TO_TOUCH_DEGC = 55.0


def cautions(sequence: Sequence, bench: Bench) -> list[str]:
    """What can hurt someone or the part in this sequence on this bench, most serious first."""
    limits, device, bias = sequence.file.limits, sequence.file.device, sequence.file.bias
    lines = [
        f"RF: up to {limits.saturated_power_max_dbm:g} dBm ({10 ** (limits.saturated_power_max_dbm / 10) / 1000:.2g} W) at the "
        "output. Terminate every port, never open a connector while RF is on, keep to your site's exposure limits and licence.",
    ]
    temperature = sequence.file.conditions.temperature
    if temperature is not None:
        low, high = temperature.values_degc.minimum, temperature.values_degc.maximum
        if high >= TOO_HOT_TO_TOUCH_DEGC:
            lines.append(f"Hot surfaces: fixture and chamber reach {high:+g} °C. Let them come to idle before touching.")
        if low < 0:
            lines.append(
                f"Cold surfaces: {low:+g} °C. Frostbite, condensation; warm above the dew point before opening the door."
            )
        chamber = bench.file.instruments.get(bench.file.wiring.chamber or "")
        if isinstance(chamber, ChamberSettings) and chamber.coolant in ("carbon dioxide", "liquid nitrogen"):
            lines.append(
                f"Asphyxiation: the chamber is cooled with {chamber.coolant}. Ventilate, use an oxygen alarm, do not leave "
                "people alone in the room; local rules apply."
            )
    dc_w = limits.drain_voltage_max_v * bias.drain_current_limit_a
    if dc_w >= WARM_W:
        lines.append(
            f"Heat: the part may draw up to {dc_w:.2g} W at the drain. Give it its heat sink before power; fixture and sink burn."
        )
    unpowered_dbm = limits.rf_unpowered_max_dbm
    lines.append(
        f"Device: never above {limits.drain_voltage_max_v:g} V and {limits.drain_current_max_a * 1e3:g} mA at the drain, "
        f"{limits.gate_voltage_min_v:g} V to {limits.gate_voltage_max_v:g} V at the gate, {limits.input_power_max_dbm:g} dBm in"
        + ("" if unpowered_dbm is None else f", {unpowered_dbm:g} dBm into either port without bias")
        + "."
    )
    if device.technology == "depletion":
        lines.append(
            f"Depletion mode: the gate ({bias.pinch_off_v:g} V) comes before the drain and goes after it. Do not unplug the gate "
            "lead while the drain supply is on."
        )
    lines.append("Electrostatic discharge: handle the part at an earthed place, wrist strap on; discharge cables first.")
    lines.append("Stored charge: bias networks and supplies hold voltage after they are switched off; wait and measure.")
    lines.append("These are reminders. The device's data sheet, your site's safety rules and licensed practice decide.")
    return lines
