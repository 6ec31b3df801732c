"""Dangerous variants of the shipped sequence and bench: one change each, and the line that has to be blamed for it."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from tests.scenario import ROOT

__all__ = ["BENCH_NAME", "SEQUENCE_NAME", "VARIANTS", "Variant", "blamed_line", "shipped_copy", "written"]

SEQUENCE_NAME, BENCH_NAME = "kd14_overnight.yaml", "benches/kd14.yaml"
SEQUENCE, BENCH = SEQUENCE_NAME, BENCH_NAME

VALUES = "values: [25 degC, -30 degC, 70 degC"
TOP = "measurements[1].drive.to"
INPUT_A = "input_a: {loss: {table: ../paths/input_a.csv}, power_max: 27 dBm}"
OUTPUT_A = "output_a: {loss: {table: ../paths/output_a.csv}, power_max: 33 dBm}"
DRIVE = "drive: {from: -20 dBm, to: 9 dBm, step: 1 dB}"
WIRED_B = "drain: {supply: drain_supply, channel: 2}\n      gate: {supply: gate_supply, channel: 2}"
DRAIN = "drain_supply.channels"
GATE = "gate_supply.channels"


@dataclass(frozen=True)
class Variant:
    """
    Attributes:
        file: In which `old` becomes `new`, everywhere it stands.
        blamed: For each mistake expected its file, its key, and a text on the line that must be named, in the changed file.
    """

    name: str
    file: str
    old: str
    new: str
    blamed: tuple[tuple[str, str, str], ...]


def _v(name: str, file: str, old: str, new: str, *blamed: tuple[str, str, str]) -> Variant:
    return Variant(name, file, old, new, blamed)


def _drive(text: str = DRIVE) -> tuple[str, str, str]:
    return (SEQUENCE, TOP, text)


VARIANTS = (
    # RF
    _v("drive 10 dB up", SEQUENCE, "to: 9 dBm", "to: 19 dBm", _drive("to: 19 dBm")),
    _v("drive below what the source can do", SEQUENCE, "from: -20 dBm", "from: -50 dBm",
       (SEQUENCE, "measurements[1].drive.from", "from: -50 dBm")),
    _v("drive from the top down", SEQUENCE, "{from: -20 dBm, to: 9 dBm, step: 1 dB}", "[9 dBm, 0 dBm, -9 dBm]",
       (SEQUENCE, "measurements[1].drive", "drive: [9 dBm")),
    _v("a list of levels with one too many", SEQUENCE, "drive: {from: -20 dBm, to: 9 dBm, step: 1 dB}",
       "drive:\n      - 0 dBm\n      - 9 dBm\n      - 12 dBm", (SEQUENCE, "measurements[1].drive[2]", "- 12 dBm")),
    _v("source far from accurate", BENCH, "level_accuracy: 0.4 dB", "level_accuracy: 3 dB", _drive()),
    _v("source overshoots", BENCH, "level_overshoot: 0.3 dB", "level_overshoot: 3 dB", _drive()),
    _v("source too weak", BENCH, "level_max: 14 dBm", "level_max: 12 dBm", _drive()),
    _v("input path hardly known", BENCH, INPUT_A, "input_a: {loss: 3.6 dB, uncertainty: 2.5 dB, power_max: 27 dBm}", _drive()),
    _v("input path stands less", BENCH, INPUT_A, INPUT_A.replace("27 dBm", "12 dBm"),
       (BENCH, "paths.input_a.power_max", "power_max: 12 dBm")),
    _v("amplifier in the input path, saturation not stated", BENCH, INPUT_A,
       "input_a: {loss: -20 dB, uncertainty: 0.5 dB, power_max: 27 dBm}",
       (BENCH, "paths.input_a.saturated_power_max", "input_a: {loss: -20 dB")),
    _v("amplifier in the input path, gain hardly known", BENCH, INPUT_A,
       "input_a: {loss: -20 dB, uncertainty: 4 dB, power_max: 27 dBm, saturated_power_max: 27 dBm}", _drive()),
    _v("amplifier in the input path gives too little", BENCH, INPUT_A,
       "input_a: {loss: -10 dB, uncertainty: 0.3 dB, power_max: 27 dBm, saturated_power_max: 8 dBm}", _drive()),
    _v("output attenuator stands less", BENCH, OUTPUT_A, OUTPUT_A.replace("33 dBm", "30 dBm"),
       (BENCH, "paths.output_a.power_max", "output_a.csv}, power_max: 30 dBm")),
    _v("output attenuator left out", BENCH, OUTPUT_A, "output_a: {loss: 5 dB, uncertainty: 0.3 dB, power_max: 33 dBm}",
       (BENCH, "instruments.output_meter.input_max", "input_max: 23 dBm"),
       (BENCH, "instruments.output_meter.range_max", "range_max: 20 dBm")),
    _v("power meter stands less", BENCH, "input_max: 23 dBm", "input_max: 9 dBm",
       (BENCH, "instruments.output_meter.input_max", "input_max: 9 dBm")),
    _v("switch stands less", BENCH, "power_max: 33 dBm\n    settling", "power_max: 30 dBm\n    settling",
       (BENCH, "instruments.rf_switch.power_max", "    power_max: 30 dBm")),
    _v("device may give more than it stands", SEQUENCE, "output_power_max: 31 dBm", "output_power_max: 30 dBm",
       (SEQUENCE, "limits.saturated_power_max", "saturated_power_max: 30.5 dBm")),
    _v("device stands less drive", SEQUENCE, "input_power_max: 12 dBm", "input_power_max: 9.5 dBm",
       _drive()),
    _v("beyond the path tables", SEQUENCE, "to: 14.5 GHz", "to: 17 GHz",
       (SEQUENCE, "measurements[1].frequency", "to: 17 GHz")),
    _v("beyond the meter", BENCH, "frequency_max: 18 GHz", "frequency_max: 14 GHz",
       (SEQUENCE, "measurements[1].frequency", "frequency: {from: 13.75 GHz")),
    # drain
    _v("supply 12 V", SEQUENCE, "supply_voltage: 6 V", "supply_voltage: 12 V",
       (SEQUENCE, "conditions.supply_voltage", "supply_voltage: 12 V")),
    _v("supply at the limit itself", SEQUENCE, "supply_voltage: 6 V", "supply_voltage: 6.5 V",
       (SEQUENCE, "conditions.supply_voltage", "supply_voltage: 6.5 V")),
    _v("one of several supply voltages", SEQUENCE, "supply_voltage: 6 V", "supply_voltage:\n    - 5 V\n    - 6.499 V\n    - 6 V",
       (SEQUENCE, "conditions.supply_voltage[1]", "- 6.499 V")),
    _v("drain supply far from accurate", BENCH, "floor: 3 mV", "floor: 600 mV",
       (SEQUENCE, "conditions.supply_voltage", "supply_voltage: 6 V")),
    _v("drain supply too small", BENCH, "voltage_max: 20 V", "voltage_max: 5 V",
       (SEQUENCE, "conditions.supply_voltage", "supply_voltage: 6 V")),
    _v("current limit above the device's", SEQUENCE, "drain_current_limit: 440 mA", "drain_current_limit: 500 mA",
       (SEQUENCE, "bias.drain_current_limit", "drain_current_limit: 500 mA")),
    _v("current limit a hair below the device's", SEQUENCE, "drain_current_limit: 440 mA", "drain_current_limit: 479.9 mA",
       (SEQUENCE, "bias.drain_current_limit", "drain_current_limit: 479.9 mA")),
    _v("current limit hardly known", BENCH, "{of_reading: 0.1 %, floor: 0.5 mA}", "{of_reading: 10 %, floor: 0.5 mA}",
       (SEQUENCE, "bias.drain_current_limit", "drain_current_limit: 440 mA")),
    _v("device stands less heat", SEQUENCE, "dissipation_max: 3 W", "dissipation_max: 2.6 W",
       (SEQUENCE, "bias.drain_current_limit", "drain_current_limit: 440 mA")),
    _v("over-voltage cannot be set so high", BENCH, "over_voltage_max: 24 V", "over_voltage_max: 6 V",
       (BENCH, f"instruments.{DRAIN}.1.over_voltage_max", ""), (BENCH, f"instruments.{DRAIN}.2.over_voltage_max", "")),
    _v("over-voltage cannot be set so low", BENCH, "over_voltage_min: 1 V", "over_voltage_min: 7 V",
       (BENCH, f"instruments.{DRAIN}.1.over_voltage_min", ""), (BENCH, f"instruments.{DRAIN}.2.over_voltage_min", "")),
    _v("drain supply cannot begin at 0 V", BENCH,
       "        voltage_max: 20 V", "        voltage_min: 1 V\n        voltage_max: 20 V",
       (BENCH, f"instruments.{DRAIN}.1.voltage_min", ""), (BENCH, f"instruments.{DRAIN}.2.voltage_min", "")),
    _v("drain and gate of both channels on one output each", BENCH, WIRED_B, WIRED_B.replace("channel: 2", "channel: 1"),
       (BENCH, "wiring.channels.B.gate", "")),
    _v("two drains, each with the whole current", BENCH, "drain: {supply: drain_supply, channel: 1}",
       "drain: [{supply: drain_supply, channel: 1}, {supply: drain_supply, channel: 2}]",
       (SEQUENCE, "bias.drain_current_limit", "drain_current_limit: 440 mA")),
    _v("a drain with too high a voltage of its own", BENCH, "drain: {supply: drain_supply, channel: 1}",
       "drain: [{supply: drain_supply, channel: 1, share: 40 %}, "
       "{supply: drain_supply, channel: 2, share: 60 %, voltage: 6.499 V}]",
       (BENCH, "wiring.channels.A.drain[1].voltage", "share: 60 %, voltage: 6.499 V")),
    # gate
    _v("gate_to 0.1 V", SEQUENCE, "gate_to: -0.3 V", "gate_to: 0.1 V", (SEQUENCE, "bias.gate_to", "gate_to: 0.1 V")),
    _v("gate_to at the limit itself", SEQUENCE, "gate_to: -0.3 V", "gate_to: 0 V", (SEQUENCE, "bias.gate_to", "gate_to: 0 V")),
    _v("pinch-off too weak", SEQUENCE, "pinch_off: -2.5 V", "pinch_off: -1 V", (SEQUENCE, "bias.pinch_off", "pinch_off: -1 V")),
    _v("pinch-off within the supply's error of the trim", SEQUENCE, "pinch_off: -2.5 V", "pinch_off: -1.602 V",
       (SEQUENCE, "bias.pinch_off", "pinch_off: -1.602 V")),
    _v("pinch-off at the limit itself", SEQUENCE, "pinch_off: -2.5 V", "pinch_off: -3 V",
       (SEQUENCE, "bias.pinch_off", "pinch_off: -3 V")),
    _v("gate supply cannot pinch off", BENCH, "voltage_min: -5 V", "voltage_min: -2 V",
       (SEQUENCE, "bias.pinch_off", "pinch_off: -2.5 V")),
    _v("gate supply can go positive unguarded", BENCH, "voltage_max: 0 V", "voltage_max: 2 V",
       (BENCH, f"instruments.{GATE}.1.voltage_max", ""), (BENCH, f"instruments.{GATE}.2.voltage_max", "")),
    _v("gate current beyond its supply", SEQUENCE, "gate_current_max: 5 mA", "gate_current_max: 110 mA",
       (SEQUENCE, "limits.gate_current_max", "gate_current_max: 110 mA")),
    # temperature
    _v("chamber to 150 degC", SEQUENCE, VALUES, VALUES + ", 150 degC", (SEQUENCE, "conditions.temperature.values", "150 degC]")),
    _v("chamber so hot that overshoot and self-heating pass the limit", SEQUENCE, VALUES, VALUES + ", 82 degC",
       (SEQUENCE, "conditions.temperature.values[3]", "82 degC]")),
    _v("chamber so cold that overshoot passes the limit", SEQUENCE, VALUES, VALUES + ", -39 degC",
       (SEQUENCE, "conditions.temperature.values[3]", "-39 degC")),
    _v("idle too hot", SEQUENCE, "idle: 25 degC", "idle: 83 degC", (SEQUENCE, "conditions.temperature.idle", "idle: 83 degC")),
    _v("chamber far from accurate", BENCH, "accuracy: 0.5 K", "accuracy: 9.2 K",
       (SEQUENCE, "conditions.temperature.values[1]", VALUES),),
    _v("chamber's range too small", BENCH, "temperature_min: -60 degC", "temperature_min: -20 degC",
       (SEQUENCE, "conditions.temperature.values[1]", VALUES)),
    _v("chamber would trip over its own overshoot", BENCH, "temperature_max: 130 degC", "temperature_max: 70.5 degC",
       (SEQUENCE, "conditions.temperature.values[2]", VALUES)),
    _v("ramp faster than the device stands", BENCH, "ramp: 3 K/min", "ramp: 8 K/min",
       (BENCH, "instruments.chamber.ramp", "ramp: 8 K/min")),
    _v("no chamber", BENCH, "wiring:\n  chamber: chamber", "wiring:", (BENCH, "wiring", "wiring:")),
    # ratings that are missing
    _v("source's overshoot not stated", BENCH, "    level_overshoot: 0.3 dB\n", "",
       (BENCH, "instruments.rf_source.level_overshoot", "  rf_source:")),
    _v("chamber's overshoot not stated", BENCH, "    overshoot: 1 K\n", "",
       (BENCH, "instruments.chamber.overshoot", "  chamber:\n")),
    _v("case's rise not stated", BENCH, "    case_rise: 4 K\n", "", (BENCH, "instruments.chamber.case_rise", "  chamber:\n")),
    _v("over-voltage range not stated", BENCH, "        over_voltage_max: 6 V\n", "",
       (BENCH, f"instruments.{GATE}.1.over_voltage_max", ""), (BENCH, f"instruments.{GATE}.2.over_voltage_max", "")),
    _v("attenuator's rating not stated", BENCH, OUTPUT_A, "output_a: {loss: {table: ../paths/output_a.csv}}",
       (BENCH, "paths.output_a.power_max", "output_a: {loss")),
    _v("device's highest gain not stated", SEQUENCE, "  gain_max: 29 dB\n", "", (SEQUENCE, "limits.gain_max", "limits:\n")),
)  # fmt: skip


def shipped_copy(folder: Path) -> Path:
    """The shipped files in `folder`; returns the sequence."""
    shutil.copytree(ROOT / "sequences", folder, dirs_exist_ok=True)
    return folder / SEQUENCE_NAME


def written(variant: Variant, folder: Path) -> Path:
    """The shipped files with this one change, in `folder`; returns the sequence."""
    sequence = shipped_copy(folder)
    path = folder / variant.file
    text = path.read_text(encoding="utf-8")
    assert variant.old in text, f"{variant.file} has no {variant.old!r}"
    path.write_text(text.replace(variant.old, variant.new), encoding="utf-8")
    return sequence


def blamed_line(folder: Path, file: str, marker: str) -> int:
    """The line in `file` that has `marker` on it, from 1; the marker must be there once."""
    text = (folder / file).read_text(encoding="utf-8")
    assert text.count(marker) == 1, f"{marker!r} is {text.count(marker)} times in {file}"
    return text[: text.index(marker) + len(marker) - len(marker.lstrip("\n"))].count("\n") + 1
