"""RF levels from the source to the meter, at every plane, with every uncertainty at its worst."""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.bench.model import PowerMeterSettings, SourceSettings, SwitchSettings
from benchkit.bench.paths import LossPath
from benchkit.envelope.margins import Findings
from benchkit.measurements.base import MeasurementBlock
from benchkit.plan.plan import Plan

__all__ = ["prove_rf"]

# How many frequencies of one measurement are looked at; between them a table's extremes are covered by asking the path for
# its extremes over the whole span, so nothing hides between two of them.
Span = tuple[float, float]


@dataclass(frozen=True)
class _Chain:
    """One channel's RF chain."""

    channel: str
    source_name: str
    source: SourceSettings
    input_path: LossPath
    input_power_max_dbm: float
    switch_name: str | None
    switch: SwitchSettings | None
    output_path: LossPath
    output_power_max_dbm: float
    meter_name: str
    meter: PowerMeterSettings


def prove_rf(plan: Plan, findings: Findings) -> None:
    """Every driven measurement on every channel."""
    for channel in plan.channels:
        chain = _chain(channel, findings)
        for index, block in enumerate(plan.measurements):
            span_hz, drive = block.frequency_span_hz(), block.drive_span_dbm()
            if span_hz is not None and drive is not None and _prove_bands(chain, index, span_hz, findings):
                _prove_levels(chain, index, block, span_hz, drive, findings)


def _chain(channel: str, findings: Findings) -> _Chain:
    bench = findings.bench
    wiring = bench.file.wiring.channels[channel]
    source, meter = bench.file.instruments[wiring.input.source], bench.file.instruments[wiring.output.power_meter]
    switch = bench.file.instruments[wiring.position.switch] if wiring.position is not None else None
    assert isinstance(source, SourceSettings), "load_bench checks roles"
    assert isinstance(meter, PowerMeterSettings), "load_bench checks roles"
    assert switch is None or isinstance(switch, SwitchSettings), "load_bench checks roles"
    return _Chain(
        channel=channel,
        source_name=wiring.input.source,
        source=source,
        input_path=bench.paths[wiring.input.path],
        input_power_max_dbm=bench.file.paths[wiring.input.path].power_max_dbm,
        switch_name=None if wiring.position is None else wiring.position.switch,
        switch=switch,
        output_path=bench.paths[wiring.output.path],
        output_power_max_dbm=bench.file.paths[wiring.output.path].power_max_dbm,
        meter_name=wiring.output.power_meter,
        meter=meter,
    )


def _ghz(span_hz: Span) -> str:
    low, high = (f"{hz / 1e9:.10g}" for hz in span_hz)
    return f"{low} GHz" if low == high else f"{low} GHz to {high} GHz"


def _prove_bands(chain: _Chain, index: int, span_hz: Span, findings: Findings) -> bool:
    """Source, meter and both path tables cover every frequency asked for: nothing is extrapolated."""
    low_hz, high_hz = span_hz
    covered = True
    key = f"measurements[{index}].frequency"
    for name, settings in ((chain.source_name, chain.source), (chain.meter_name, chain.meter)):
        if not settings.frequency_min_hz <= low_hz <= high_hz <= settings.frequency_max_hz:
            covered = False
            findings.in_sequence(
                key,
                f"{_ghz(span_hz)} is outside {name}'s range, {_ghz((settings.frequency_min_hz, settings.frequency_max_hz))} "
                f"({findings.bench_source(f'instruments.{name}')})",
            )
    for path in (chain.input_path, chain.output_path):
        if not path.covers(low_hz, high_hz):
            covered = False
            findings.in_sequence(
                key,
                f"{_ghz(span_hz)} is outside the table of path {path.name}, "
                f"{_ghz((path.frequency_min_hz, path.frequency_max_hz))} ({path.source}); tables are never extrapolated: measure "
                "the path further, or ask for less",
            )
    return covered


def _prove_levels(
    chain: _Chain, index: int, block: MeasurementBlock, span_hz: Span, drive: Span, findings: Findings
) -> None:
    sequence = findings.sequence.file
    limits = sequence.limits
    low_dbm, high_dbm = drive
    key = f"measurements[{index}].drive"
    where = f"{block.title}, {_ghz(span_hz)}, {high_dbm:g} dBm at the device"
    source, meter, channel = chain.source, chain.meter, chain.channel
    in_low_db, in_high_db = chain.input_path.extremes_db(*span_hz)
    in_u_db = chain.input_path.largest_uncertainty_db(*span_hz)
    out_low_db, _ = chain.output_path.extremes_db(*span_hz)
    out_u_db = chain.output_path.largest_uncertainty_db(*span_hz)

    # What the source is asked for. The path's nominal loss is what the engine adds.
    asked_max, asked_min = high_dbm + in_high_db, low_dbm + in_low_db
    if not findings.not_above(
        f"source {chain.source_name}", "level", asked_max, source.level_max_dbm, "dBm",
        where=where, source=findings.bench_source(f"instruments.{chain.source_name}.level_max"),
    ):  # fmt: skip
        findings.in_sequence(
            key,
            f"{high_dbm:g} dBm at the device needs {asked_max:.2f} dBm from {chain.source_name} (path loss {in_high_db:.2f} dB), "
            f"above its {source.level_max_dbm:g} dBm "
            f"({findings.bench_source(f'instruments.{chain.source_name}')}.level_max)",
        )
    if asked_min < source.level_min_dbm:
        findings.in_sequence(
            key,
            f"{low_dbm:g} dBm at the device needs {asked_min:.2f} dBm from {chain.source_name}, below its "
            f"{source.level_min_dbm:g} dBm ({findings.bench_source(f'instruments.{chain.source_name}')}.level_min)",
        )
    error_db = source.level_accuracy_db + source.level_overshoot_db
    leaves_source = asked_max + error_db
    if not findings.not_above(
        f"path {chain.input_path.name}, at the source", "level", leaves_source, chain.input_power_max_dbm, "dBm",
        where=where, source=findings.bench_source(f"paths.{chain.input_path.name}.power_max"),
    ):  # fmt: skip
        findings.in_sequence(
            key,
            f"{leaves_source:.2f} dBm can leave {chain.source_name}, above what path {chain.input_path.name} stands, "
            f"{chain.input_power_max_dbm:g} dBm ({findings.bench_source(f'paths.{chain.input_path.name}')}.power_max)",
        )

    # Device input: nominal drive, plus the source's error and overshoot, plus the path's uncertainty.
    worst_in = high_dbm + error_db + in_u_db
    if not findings.not_above(
        f"device input, channel {channel}", "level", worst_in, limits.input_power_max_dbm, "dBm",
        where=where, source=findings.sequence_source("limits.input_power_max"),
    ):  # fmt: skip
        findings.in_sequence(
            key,
            f"drive to {high_dbm:g} dBm can be {worst_in:.2f} dBm at the device (source error and overshoot {error_db:g} dB, "
            f"path uncertainty {in_u_db:.2g} dB), above limits.input_power_max {limits.input_power_max_dbm:g} dBm",
        )

    # Device output: the device gives no more than its highest gain allows, nor than it saturates at.
    worst_out = min(worst_in + limits.gain_max_db, limits.saturated_power_max_dbm)
    if not findings.not_above(
        f"device output, channel {channel}", "level", worst_out, limits.output_power_max_dbm, "dBm",
        where=where, source=findings.sequence_source("limits.output_power_max"),
    ):  # fmt: skip
        findings.in_sequence(
            "limits.saturated_power_max",
            f"up to {worst_out:.2f} dBm can leave the device, above limits.output_power_max {limits.output_power_max_dbm:g} dBm",
        )
    for name, level, rating, rating_key in (
        (f"path {chain.output_path.name}, at the device", worst_out, chain.output_power_max_dbm,
         f"paths.{chain.output_path.name}.power_max"),
        (f"power meter {chain.meter_name}", worst_out - (out_low_db - out_u_db), meter.input_max_dbm,
         f"instruments.{chain.meter_name}.input_max"),
        (f"power meter {chain.meter_name}, top of range", worst_out - (out_low_db - out_u_db), meter.range_max_dbm,
         f"instruments.{chain.meter_name}.range_max"),
    ):  # fmt: skip
        if not findings.not_above(
            name, "level", level, rating, "dBm", where=where, source=findings.bench_source(rating_key)
        ):
            findings.in_bench(
                rating_key,
                f"{level:.2f} dBm can arrive here ({where}; up to {worst_out:.2f} dBm at the device's output), above {rating:g} dBm",
            )
    if chain.switch is not None:
        for place, level in (("input side", leaves_source), ("output side", worst_out)):
            if not findings.not_above(
                f"switch {chain.switch_name}, {place}", "level", level, chain.switch.power_max_dbm, "dBm",
                where=where, source=findings.bench_source(f"instruments.{chain.switch_name}.power_max"),
            ):  # fmt: skip
                findings.in_bench(
                    f"instruments.{chain.switch_name}.power_max",
                    f"{level:.2f} dBm can pass its contacts ({place}; {where}), above {chain.switch.power_max_dbm:g} dBm",
                )
