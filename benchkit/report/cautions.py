"""What can hurt someone or the part, for whoever sets it up again from the data sheet. Common practice, no source."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.bench.model import ChamberSettings
from benchkit.report.digits import celsius, plain
from benchkit.report.source import Source
from benchkit.sequence.model import DeviceLimits

__all__ = ["Cautions", "Rating", "cautions_of"]

TOO_HOT_TO_TOUCH_DEGC = 55.0


@dataclass(frozen=True)
class Rating:
    name: str
    value: str
    plane: str


@dataclass(frozen=True)
class Cautions:
    """Absolute maximum ratings as the sequence states them, and the usual warnings."""

    ratings: tuple[Rating, ...]
    ratings_note: str
    warnings: tuple[tuple[str, str], ...]
    closing: str = (
        "These are reminders, not instructions. The device maker's data sheet, your site's safety rules and licensed practice "
        "come first."
    )


def cautions_of(sources: Sequence[Source]) -> Cautions:
    """From the records' sequences and benches; where their limits differ, the ratings are the first's, and that is said."""
    loaded = [source for source in sources if source.sequence is not None]
    if not loaded:
        return Cautions((), "The stored sequence could not be read, so no limits are listed; see its text.", _general(sources))
    first = loaded[0].sequence
    assert first is not None, "chosen above"
    note = "As the sequence states them. They are limits, not conditions to work at; beyond any one of them the part may be lost."
    if any(source.sequence is not None and source.sequence.file.limits != first.file.limits for source in loaded):
        note += f" The sequences differ in their limits: these are those of {loaded[0].label}."
    return Cautions(tuple(_ratings(first.file.limits)), note, _general(sources))


def _ratings(limits: DeviceLimits) -> list[Rating]:
    rows = [
        Rating("Drain voltage", f"{plain(limits.drain_voltage_max_v)} V", "drain pin"),
        Rating("Drain current, one channel", f"{plain(1e3 * limits.drain_current_max_a)} mA", "drain pin"),
        Rating("Gate voltage", f"{plain(limits.gate_voltage_min_v)} V to {plain(limits.gate_voltage_max_v)} V", "gate pin"),
        Rating("Gate current, either sign", f"{plain(1e3 * limits.gate_current_max_a)} mA", "gate pin"),
        Rating("RF input power", f"{plain(limits.input_power_max_dbm)} dBm", "device input"),
        Rating("RF output power", f"{plain(limits.output_power_max_dbm)} dBm", "device output"),
    ]
    if limits.dissipation_max_w is not None:
        rows.append(Rating("Dissipation", f"{plain(limits.dissipation_max_w)} W", "device"))
    rows.append(
        Rating("Temperature", f"{celsius(limits.temperature_min_degc)} to {celsius(limits.temperature_max_degc)}", "case")
    )
    return rows


def _general(sources: Sequence[Source]) -> tuple[tuple[str, str], ...]:
    lines = [
        ("Electrostatic discharge", "The part is sensitive: earthed work place, wrist strap; discharge cables first."),
        ("Bias order", _bias_order(sources)),
        ("RF", "Terminate every port before switching on. Never open a connector under power; keep to the exposure limits and "
               "licences of your site."),
    ]  # fmt: skip
    lines += _temperature(sources)
    lines.append(("Stored charge", "Supplies and bias networks hold voltage after they are switched off: wait, and measure."))
    return tuple(lines)


def _bias_order(sources: Sequence[Source]) -> str:
    sequence = sources[0].sequence
    if sources[0].text("technology") != "depletion":
        return "On: gate, drain, RF. Off: RF, drain, gate."
    held = "" if sequence is None else f" ({plain(sequence.file.bias.pinch_off_v)} V)"
    return (
        f"Depletion mode: the part conducts with its gate at 0 V. On: gate to pinch-off{held}, drain, RF. Off: RF, drain, gate. "
        "Never unplug the gate while the drain is on."
    )


def _temperature(sources: Sequence[Source]) -> list[tuple[str, str]]:
    set_points = [float(value) for source in sources for value in source.streams.points["temperature_set_degc"].dropna().unique()]
    lines = []
    if set_points and max(set_points) >= TOO_HOT_TO_TOUCH_DEGC:
        lines.append(("Hot surfaces", f"Measured up to {celsius(max(set_points))}: fixtures burn. Let them cool first."))
    if set_points and min(set_points) < 0:
        lines.append(
            ("Cold surfaces", f"Measured down to {celsius(min(set_points))}: frostbite, and condensation that shorts bias. "
                              "Warm above the dew point before opening.")
        )  # fmt: skip
    gases = {
        settings.coolant
        for source in sources
        if source.bench is not None
        for settings in source.bench.file.instruments.values()
        if isinstance(settings, ChamberSettings) and settings.coolant in ("carbon dioxide", "liquid nitrogen")
    }
    for gas in sorted(gases):
        lines.append(("Asphyxiation", f"The chamber is cooled with {gas}: ventilate, watch the oxygen, don't work alone."))
    return lines
