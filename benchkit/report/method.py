"""How it was measured: planes, path losses as used, conventions, decision rule, and what the uncertainty is made of."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from benchkit.bench.load import Bench
from benchkit.bench.model import MismatchSettings, PowerMeterSettings, SourceSettings, SupplySettings, VoltmeterSettings
from benchkit.report.digits import decimals_for, fixed, gigahertz, plain
from benchkit.report.source import Source
from benchkit.results.matching import gamma_from_return_loss, mismatch

__all__ = ["Contribution", "LossRow", "Plane", "contributions_of", "conventions_of", "decision_rules", "losses_of", "planes"]

SQRT3 = math.sqrt(3.0)


@dataclass(frozen=True)
class Plane:
    quantity: str
    plane: str
    how: str


@dataclass(frozen=True)
class LossRow:
    """Losses that the engine used at one frequency of one channel, with the expanded uncertainty its path states."""

    record: str
    channel: str
    frequency: str
    input_db: str
    output_db: str


@dataclass(frozen=True)
class Contribution:
    """One line of the budget of one reading."""

    quantity: str
    source: str
    limit: str
    distribution: str
    standard: str


def planes() -> tuple[Plane, ...]:
    """Where each quantity is true and how it comes about."""
    return (
        Plane("Input power", "device input", "level set at the source, less the input path's loss at the frequency"),
        Plane("Output power", "device output", "power meter reading, plus the output path's loss at the frequency"),
        Plane("Gain", "device input to device output", "output power less input power, in dB"),
        Plane("Drain and gate current", "drain pin, gate pin", "read back from the supplies: all along a lead it is one current"),
        Plane(
            "Drain voltage", "supply terminals",
            "read back from the supplies; leads are not corrected for: unless the supply senses at the pin, it is lower there by "
            "what the drain current loses in them",
        ),
        Plane("Gate voltage", "gate pin", "read back from the supplies; the gate's current loses next to nothing in a lead"),
        Plane("DC power", "supply terminals", "drain voltage times current, one channel, all its drains; the gates are left out"),
        Plane("Detector voltage", "detector pin less reference pin", "two voltmeters, read at one time"),
        Plane("Temperature", "chamber air; case", "the chamber's own sensor; a Pt100 on the case (IEC 60751), where fitted"),
    )  # fmt: skip


def losses_of(source: Source) -> list[LossRow]:
    """The losses used, from the points themselves; their uncertainties from the stored path tables."""
    points = source.streams.points
    driven = points[np.isfinite(points["frequency_hz"].to_numpy(dtype=float))]
    if not len(driven):
        return []
    used = driven.groupby(["channel", "frequency_hz"], sort=True)[["input_loss_db", "output_loss_db"]].agg(["min", "max"])
    rows = []
    for (channel, frequency_hz), losses in used.iterrows():
        u_input, u_output = _path_uncertainties(source.bench, str(channel), float(frequency_hz))
        rows.append(
            LossRow(
                source.label,
                str(channel),
                gigahertz(float(frequency_hz)),
                _loss_text(losses["input_loss_db"], u_input),
                _loss_text(losses["output_loss_db"], u_output),
            )
        )
    return rows


def _loss_text(ends: Any, expanded_db: float) -> str:
    low, high = float(ends["min"]), float(ends["max"])
    if math.isnan(low):
        return "none"
    decimals = decimals_for(expanded_db) if expanded_db > 0 else 3
    spread = fixed(low, decimals) if low == high else f"{fixed(low, decimals)} to {fixed(high, decimals)}"
    return f"{spread} ± {fixed(expanded_db, decimals)}" if expanded_db > 0 else spread


def _path_uncertainties(bench: Bench | None, channel: str, frequency_hz: float) -> tuple[float, float]:
    """Expanded, k = 2; zero where the bench cannot be read. [dB]"""
    if bench is None or channel not in bench.file.wiring.channels:
        return 0.0, 0.0
    wiring = bench.file.wiring.channels[channel]
    paths = (bench.paths[wiring.input.path], bench.paths[wiring.output.path])
    inside = [path.covers(frequency_hz, frequency_hz) for path in paths]
    first, second = (path.uncertainty_db(frequency_hz) if covered else 0.0 for path, covered in zip(paths, inside, strict=True))
    return first, second


def conventions_of(sources: Sequence[Source]) -> list[tuple[str, str, str]]:
    """Measurement, what, convention: from the kinds' own notes and from the parameters."""
    found: dict[tuple[str, str, str], None] = {}
    for source in sources:
        if source.sequence is not None:
            for block in source.sequence.file.measurements:
                for name, text in block.notes().items():
                    found[block.title, name, text] = None
    return list(found)


def decision_rules(sources: Sequence[Source]) -> list[str]:
    """Each decision rule used, in words."""
    words = {
        "simple acceptance": "Simple acceptance (ILAC-G8:09/2019): the value alone decides, guard band w = 0. A value at the "
        "limit is accepted wrongly as often as not.",
        "guard band": "Guard band w = U, k = 2 (ILAC-G8:09/2019): pass, where the value is inside the limit by at least U; "
        "conditional pass, inside by less; conditional fail, outside by no more than U; fail, outside by more. A pass is then "
        "wrong with a probability below 2.5 %. A result without a value or without an uncertainty is not judged.",
    }  # fmt: skip
    rules = dict.fromkeys(judged.verdict.rule for source in sources for judged in source.verdicts)
    return [words.get(rule, rule) for rule in rules]


def contributions_of(source: Source) -> list[Contribution]:
    """What the standard uncertainties in the record are made of, channel by channel, lines that are alike once."""
    bench = source.bench
    if bench is None:
        return []
    rows: dict[Contribution, list[str]] = {}
    measured = [str(channel) for channel in source.streams.points["channel"].unique()]
    for channel in measured:
        if channel in bench.file.wiring.channels:
            for row in _channel_contributions(bench, channel, source):
                rows.setdefault(row, []).append(channel)
    return [
        row if len(channels) == len(measured) else Contribution(f"{row.quantity}, channel {', '.join(channels)}", *_rest(row))
        for row, channels in rows.items()
    ]  # fmt: skip


def _rest(row: Contribution) -> tuple[str, str, str, str]:
    return row.source, row.limit, row.distribution, row.standard


def _channel_contributions(bench: Bench, channel: str, source: Source) -> list[Contribution]:
    wiring, instruments = bench.file.wiring.channels[channel], bench.file.instruments
    rf, meter = instruments[wiring.input.source], instruments[wiring.output.power_meter]
    rows = []
    if isinstance(rf, SourceSettings):
        rows.append(_decibels("Input power", f"{wiring.input.source}: level accuracy", rf.level_accuracy_db))
    rows.append(_path("Input power", bench, wiring.input.path, source, channel))
    if isinstance(meter, PowerMeterSettings):
        rows.append(_decibels("Output power", f"{wiring.output.power_meter}: accuracy", meter.accuracy_db))
        if meter.linearity_db is not None:
            name = f"{wiring.output.power_meter}: linearity"
            rows.append(_decibels("Difference of two output powers", name, meter.linearity_db))
        if meter.zero_dbm is not None:
            limit = f"± {plain(meter.zero_dbm)} dBm as a power"
            rows.append(
                Contribution("Output power", f"{wiring.output.power_meter}: zero", limit, "rectangular, ÷ √3", "by level")
            )
    rows.append(_path("Output power", bench, wiring.output.path, source, channel))
    for quantity, plane, stated in (
        ("Input power", "input", wiring.input.mismatch), ("Output power", "output", wiring.output.mismatch),
    ):  # fmt: skip
        if stated is not None:
            rows.append(_mismatch(quantity, f"mismatch at the device's {plane}", stated))
    for quantity, pin in (*(("Drain", pin) for pin in wiring.drains), *(("Gate", pin) for pin in wiring.gates)):
        supply = instruments[pin.supply]
        if isinstance(supply, SupplySettings):
            ratings, name = supply.channels[pin.channel], f"{pin.supply}, output {pin.channel}"
            volts, amperes = ratings.voltage_accuracy, ratings.current_accuracy
            rows.append(_part(f"{quantity} voltage", name, volts.of_reading_percent, volts.floor_v, "V"))
            if quantity == "Drain":
                rows.append(_part("Drain current", name, amperes.of_reading_percent, amperes.floor_a, "A"))
    for quantity, line in (("Detector voltage", wiring.detector), ("Reference voltage", wiring.reference)):
        voltmeter = None if line is None else instruments[line.voltmeter]
        if line is not None and isinstance(voltmeter, VoltmeterSettings):
            volts = voltmeter.voltage_accuracy
            rows.append(_part(quantity, line.voltmeter, volts.of_reading_percent, volts.floor_v, "V"))
    return rows


def _decibels(quantity: str, name: str, limit_db: float) -> Contribution:
    return Contribution(quantity, name, f"± {plain(limit_db)} dB", "rectangular, ÷ √3", f"{_standard(limit_db / SQRT3)} dB")


def _path(quantity: str, bench: Bench, name: str, source: Source, channel: str) -> Contribution:
    points = source.streams.points
    frequencies = points.loc[points["channel"] == channel, "frequency_hz"].dropna().unique()
    path = bench.paths[name]
    expanded = [path.uncertainty_db(float(hz)) for hz in frequencies if path.covers(float(hz), float(hz))]
    if not expanded:
        return Contribution(quantity, f"path {name}", "not used", "", "")
    low, high = min(expanded), max(expanded)
    limit = f"U = {plain(high, 2)} dB" if low == high else f"U = {plain(low, 2)} dB to {plain(high, 2)} dB"
    return Contribution(quantity, f"path {name}: stated U, k = 2", limit, "normal, ÷ 2", f"{_standard(high / 2)} dB")


def _mismatch(quantity: str, name: str, stated: MismatchSettings) -> Contribution:
    losses_db = (stated.path_return_loss_db, stated.device_return_loss_db)
    path, device = (float(rho) for rho in gamma_from_return_loss(losses_db))
    limit = f"return losses {plain(losses_db[0])} dB and {plain(losses_db[1])} dB"
    u_db = mismatch(path, device, stated.convention).standard_uncertainty_db
    shape = "√2 |Γ||Γ'|, U-shaped" if stated.convention == "known magnitudes" else "|Γ||Γ'| / √2"
    return Contribution(quantity, name, limit, f"{stated.convention}, {shape}", f"{_standard(u_db)} dB")


def _part(quantity: str, name: str, percent: float, floor: float, unit: str) -> Contribution:
    small, shown = (1e3 * floor, f"m{unit}") if floor >= 1e-3 else (1e6 * floor, f"µ{unit}")
    limit = f"± ({plain(percent)} % of reading + {plain(small)} {shown})"
    standard = f"{plain(percent / SQRT3, 2)} % of reading + {plain(small / SQRT3, 2)} {shown}"
    return Contribution(quantity, f"{name}: accuracy", limit, "rectangular, ÷ √3", standard)


def _standard(value: float) -> str:
    return fixed(value, decimals_for(value)) if value > 0 else "0"
