"""
Power readings before anything is biased, held against everything on their way.

What lies between source and sensor is not known yet, or is what is to be found wrong: so no loss is counted on, neither a path's
nor a thru's. Only the gain of a path that is an amplifier is.
"""

from __future__ import annotations

from benchkit.bench.model import PowerMeterSettings, SourceSettings, SwitchSettings
from benchkit.envelope.margins import Check, Findings, Key, Point, in_bench, in_sequence
from benchkit.measurements.power_before import PowerBefore
from benchkit.plan.plan import Plan
from benchkit.quantities.format import format_quantity

__all__ = ["prove_power_before"]


def prove_power_before(plan: Plan, findings: Findings) -> None:
    """Every measurement that reads power before the first condition, on every channel."""
    for index, block in enumerate(plan.measurements):
        asked = block.power_before()
        if asked is None:
            continue
        for channel in plan.channels:
            if _covers(channel, index, asked, findings):
                _levels(channel, index, block.title, asked, findings)


def _covers(channel: str, index: int, asked: PowerBefore, findings: Findings) -> bool:
    bench, fits = findings.bench, True
    wiring = bench.file.wiring.channels[channel]
    low_hz, high_hz = min(asked.frequencies_hz), max(asked.frequencies_hz)
    span = f"{format_quantity(low_hz, 'Hz', 10)} to {format_quantity(high_hz, 'Hz', 10)}"
    at = in_sequence(f"measurements[{index}].frequency")
    for name in (wiring.input.source, wiring.output.power_meter):
        settings = bench.file.instruments[name]
        assert isinstance(settings, SourceSettings | PowerMeterSettings), "load_bench checks roles"
        if not settings.frequency_min_hz <= low_hz <= high_hz <= settings.frequency_max_hz:
            fits = False
            findings.refuse(at, f"{span} is outside {name}'s range (instruments.{name}.frequency_min, frequency_max)")
        if isinstance(settings, SourceSettings) and "level_overshoot_db" not in settings.model_fields_set:
            fits = False
            findings.refuse(
                in_bench(f"instruments.{name}.level_overshoot"),
                "missing; how far the level goes too high while it settles, such as 0.3 dB; if it is known never to, write 0 dB",
            )
    for path in (wiring.input.path, wiring.output.path):
        # Where levels are the source's own, a table says only what is assumed of the path's gain.
        if not bench.paths[path].covers(low_hz, high_hz):
            fits = False
            findings.refuse(
                at,
                f"{span} is outside the table of path {path} ({findings.cite(in_bench(f'paths.{path}.loss'))}); tables are never "
                "extrapolated: ask for less, or give the path a rough table first",
            )
    return fits


def _levels(channel: str, index: int, title: str, asked: PowerBefore, findings: Findings) -> None:
    bench, limits = findings.bench.file, findings.sequence.file.limits
    wiring = bench.wiring.channels[channel]
    source, meter = bench.instruments[wiring.input.source], bench.instruments[wiring.output.power_meter]
    assert isinstance(source, SourceSettings), "load_bench checks roles"
    assert isinstance(meter, PowerMeterSettings), "load_bench checks roles"
    input_path, output_path = findings.bench.paths[wiring.input.path], findings.bench.paths[wiring.output.path]
    set_dbm = asked.source_levels_dbm(input_path)
    error_db = source.level_accuracy_db + source.level_overshoot_db
    leaves_dbm = max(set_dbm) + error_db
    input_gain_db = max(0.0, *(-input_path.loss_bounds_db(hz)[0] for hz in asked.frequencies_hz))
    output_gain_db = max(0.0, *(-output_path.loss_bounds_db(hz)[0] for hz in asked.frequencies_hz))
    plane_dbm = leaves_dbm + input_gain_db
    # The device may still be in its place when a hand is late: unbiased, but not to be driven beyond its limit.
    device_dbm = max(leaves_dbm - input_path.loss_bounds_db(hz)[0] for hz in asked.frequencies_hz)
    at = in_sequence(f"measurements[{index}].level")
    point = Point(measurement=title, channel=channel, level_dbm=max(asked.levels_dbm))
    rows: list[tuple[str, float, float, Key]] = [
        (f"source {wiring.input.source}", max(set_dbm), source.level_max_dbm,
         in_bench(f"instruments.{wiring.input.source}.level_max")),
        (f"sensor of {wiring.output.power_meter}", plane_dbm + output_gain_db, meter.input_max_dbm,
         in_bench(f"instruments.{wiring.output.power_meter}.input_max")),
        ("device input", device_dbm, limits.input_power_max_dbm, in_sequence("limits.input_power_max")),
        (f"path {wiring.input.path}", leaves_dbm, bench.paths[wiring.input.path].power_max_dbm,
         in_bench(f"paths.{wiring.input.path}.power_max")),
        (f"path {wiring.output.path}", plane_dbm, bench.paths[wiring.output.path].power_max_dbm,
         in_bench(f"paths.{wiring.output.path}.power_max")),
    ]  # fmt: skip
    if wiring.position is not None:
        switch = bench.instruments[wiring.position.switch]
        assert isinstance(switch, SwitchSettings), "load_bench checks roles"
        key = in_bench(f"instruments.{wiring.position.switch}.power_max")
        rows.append((f"switch {wiring.position.switch}", plane_dbm + output_gain_db, switch.power_max_dbm, key))
    for plane, worst_dbm, limit_dbm, limit_at in rows:
        check = Check(f"{plane}, channel {channel}", "level before bias", worst_dbm, limit_dbm, "dBm", limit_at, point)
        findings.hold(
            check, at, f"{worst_dbm:.2f} dBm can be here ({plane}; {point}; no path's loss counted on)", "ask for less"
        )
    lowest = Check(
        f"source {wiring.input.source}, channel {channel}", "level before bias, lower", min(set_dbm), source.level_min_dbm, "dBm",
        in_bench(f"instruments.{wiring.input.source}.level_min"), point, is_lower=True,
    )  # fmt: skip
    findings.hold(lowest, at, f"needs {min(set_dbm):.2f} dBm from {wiring.input.source} ({point}), and it cannot go so low")
