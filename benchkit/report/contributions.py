"""What the standard uncertainties of a record are made of: each reading's contributions, as the bench file states them."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from benchkit.bench.load import Bench
from benchkit.bench.model import (
    AnalyserSettings,
    ChannelWiring,
    MismatchSettings,
    NetworkAnalyserSettings,
    PowerMeterSettings,
    SourceSettings,
    SupplySettings,
    VoltmeterSettings,
)
from benchkit.report.digits import decimals_for, fixed, plain
from benchkit.report.source import Source
from benchkit.results.matching import gamma_from_return_loss, mismatch

__all__ = ["Contribution", "contributions_of"]

SQRT3 = math.sqrt(3.0)


@dataclass(frozen=True)
class Contribution:
    """One line of the budget of one reading."""

    quantity: str
    source: str
    limit: str
    distribution: str
    standard: str


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
    rows += _two_tones(bench, wiring, source, channel)
    rows += _lines(bench, wiring, source, channel)
    rows += _network(bench, wiring, source, channel)
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


def _two_tones(bench: Bench, wiring: ChannelWiring, source: Source, channel: str) -> Iterator[Contribution]:
    """Of the second tone; only where it was set."""
    name, path = wiring.input.second_source, wiring.input.second_path
    if name is None or path is None or "tones" not in source.streams.own:
        return
    second = bench.file.instruments[name]
    if isinstance(second, SourceSettings):
        yield _decibels("Input power, second tone", f"{name}: level accuracy", second.level_accuracy_db)
    yield _path("Input power, second tone", bench, path, source, channel)


def _lines(bench: Bench, wiring: ChannelWiring, source: Source, channel: str) -> Iterator[Contribution]:
    """Of levels that the spectrum analyser read: tones, products, carriers, harmonics; only where any was read."""
    name, path = wiring.output.analyser, wiring.output.analyser_path
    streams = [source.streams.own[stream] for stream in ("tones", "lines", "spectra") if stream in source.streams.own]
    hz = [float(one) for rows in streams for one in rows.loc[rows["channel"] == channel, "frequency_hz"].dropna().unique()]
    if name is None or path is None or not hz:
        return
    analyser = bench.file.instruments[name]
    if isinstance(analyser, AnalyserSettings):
        yield _decibels("Level of a line", f"{name}: accuracy", analyser.accuracy_db)
        is_stated = analyser.relative_accuracy_db is not None
        relative_db = analyser.accuracy_db if analyser.relative_accuracy_db is None else analyser.relative_accuracy_db
        how = "relative accuracy" if is_stated else "accuracy, for its relative accuracy is not stated"
        yield _decibels("Difference of two lines near in frequency", f"{name}: {how}", relative_db)
    yield _path("Level of a line", bench, path, source, channel, hz)


def _network(bench: Bench, wiring: ChannelWiring, source: Source, channel: str) -> Iterator[Contribution]:
    """Of S-parameters; what a calibration left is the record's own, all else the bench file's. Its paths are calibrated away."""
    rows = source.streams.own.get("network")
    if wiring.network is None or rows is None or not (rows["channel"] == channel).any():
        return
    name, own = wiring.network.analyser, rows[rows["channel"] == channel]
    what, shape = "S-parameter, corrected", "rectangular, ÷ √3"
    for column, parts in (
        ("residual_reflection", "directivity, match and reflection tracking"), ("residual_transmission", "transmission tracking"),
    ):  # fmt: skip
        left = own[column].to_numpy(dtype=float) if column in own else np.empty(0)
        if (left := left[np.isfinite(left)]).size:
            largest = float(left.max())
            yield Contribution(
                what, f"residual {parts}: standards connected again", f"r = {plain(largest, 2)}", "r / 2 each",
                f"{plain(largest / 2, 2)} times sensitivity",
            )  # fmt: skip
    for column, parts, unit in (
        ("kit_reflection", "reflections of the standards", ""), ("kit_transmission_db", "transmission of the thru", " dB"),
    ):  # fmt: skip
        stated = own[column].to_numpy(dtype=float) if column in own else np.empty(0)
        if (stated := stated[np.isfinite(stated)]).size:
            expanded = float(stated.max())
            yield Contribution(
                what, f"calibration kit: {parts}, as the sequence states it", f"U = {plain(expanded, 2)}{unit}", "normal, ÷ 2",
                f"{plain(expanded / 2, 2)}{unit} times sensitivity",
            )  # fmt: skip
    analyser = bench.file.instruments[name]
    if not isinstance(analyser, NetworkAnalyserSettings):
        return
    for limit_db, parts in (
        (analyser.linearity_db, f"{name}: linearity"), (analyser.drift_db, f"{name}: drift and cables since calibration")
    ):  # fmt: skip
        if limit_db is not None:
            yield _decibels(what, parts, limit_db)
    if analyser.trace_noise is not None:
        yield Contribution(
            what, f"{name}: trace noise", f"{plain(analyser.trace_noise, 2)} of the reading at 1 kHz", "normal",
            "by IF bandwidth and averages",
        )  # fmt: skip
    if analyser.noise_floor_dbm is not None:
        yield Contribution(
            what, f"{name}: noise floor", f"{plain(analyser.noise_floor_dbm)} dBm in 10 Hz", "normal", "by level and bandwidth"
        )
    paths = (wiring.network.input_path, wiring.network.output_path)
    yield Contribution(
        "Level at the device's ports, S-parameters", f"{name}: level accuracy; paths {' and '.join(paths)}",
        f"± {plain(analyser.level_accuracy_db)} dB", shape, "not in an S-parameter: a ratio, calibrated",
    )  # fmt: skip


def _decibels(quantity: str, name: str, limit_db: float) -> Contribution:
    return Contribution(quantity, name, f"± {plain(limit_db)} dB", "rectangular, ÷ √3",
                        f"{_standard(limit_db / SQRT3)} dB")  # fmt: skip


def _path(
    quantity: str, bench: Bench, name: str, source: Source, channel: str, used_hz: Sequence[float] | None = None
) -> Contribution:
    """`used_hz` None: at the frequencies of the points. [Hz]"""
    points = source.streams.points
    frequencies = points.loc[points["channel"] == channel, "frequency_hz"].dropna().unique() if used_hz is None else used_hz
    path = bench.paths[name]
    expanded = [path.uncertainty_db(float(hz)) for hz in frequencies if path.covers(float(hz), float(hz))]
    if not expanded:
        return Contribution(quantity, f"path {name}", "not used", "", "")
    low, high = min(expanded), max(expanded)
    limit = f"U = {' to '.join(dict.fromkeys((plain(low, 2), plain(high, 2))))} dB"
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
