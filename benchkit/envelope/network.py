"""A network analyser's sweeps held against every limit and rating on their way, both ports driving in turn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from benchkit.bench.model import NetworkAnalyserSettings, NetworkWiring, SwitchSettings
from benchkit.bench.paths import LossPath
from benchkit.envelope.margins import Check, Findings, Point, in_bench, in_sequence
from benchkit.envelope.part_forgotten import warn_of_part
from benchkit.measurements.base import NetworkSweep
from benchkit.plan.plan import Plan
from benchkit.quantities.format import format_quantity

__all__ = ["highest_port_level_dbm", "port_level_dbm", "prove_network"]


def port_level_dbm(asked: NetworkSweep, input_path: LossPath) -> float:
    """
    The one level of a sweep at the ports: such that at no frequency more than what was asked reaches the device. [dBm]

    A path loses more at one frequency than at another, and the port's level is the same at all: where it loses more than least,
    the device is driven by so much less.
    """
    return asked.level_dbm + min(input_path.loss_db(hz) for hz in asked.frequencies_hz)


def highest_port_level_dbm(plan: Plan, input_paths: Sequence[LossPath], settings: NetworkAnalyserSettings) -> float:
    """The highest level that the plan asks of the ports, rounded up to a hundredth: what is set as the limit. [dBm]"""
    levels = [
        port_level_dbm(asked, path)
        for block in plan.measurements
        if (asked := block.network_sweep()) is not None
        for path in input_paths
    ]
    if not levels:
        return settings.level_max_dbm
    return float(max(settings.level_min_dbm, min(settings.level_max_dbm, np.ceil(max(levels) * 100 - 1e-6) / 100)))


@dataclass(frozen=True)
class _Way:
    channel: str
    name: str
    analyser: NetworkAnalyserSettings
    wiring: NetworkWiring
    input_path: LossPath
    output_path: LossPath


def prove_network(plan: Plan, findings: Findings) -> None:
    """Every sweep of every channel: bands, points, levels at the ports, the device and whatever lies between."""
    for index, block in enumerate(plan.measurements):
        asked = block.network_sweep()
        if asked is None:
            continue
        for channel in plan.channels:
            way = _way(channel, index, findings)
            if way is not None and _covers(way, asked, index, findings):
                _levels(way, asked, index, block.title, findings)
    _calibrations(plan, findings)


def _calibrations(plan: Plan, findings: Findings) -> None:
    """One calibration, at every frequency that is corrected by it: nothing is extrapolated, and nothing interpolated."""
    sweeps = [(index, block.network_sweep()) for index, block in enumerate(plan.measurements)]
    made = [(index, asked) for index, asked in sweeps if asked is not None and asked.readings_before]
    for index, _ in made[1:]:
        message = f"is a second calibration; measurements[{made[0][0]}] is one already"
        findings.refuse(in_sequence(f"measurements[{index}]"), message)
    for index, asked in sweeps:
        if asked is None or not asked.wants_calibration:
            continue
        if not made:
            findings.refuse(
                in_sequence(f"measurements[{index}].correction"),
                "needs a measurement of kind calibration in this sequence, and there is none; add one, or say correction: none",
            )
            continue
        _same_settings(made[0], index, asked, findings)
        known, wanted = np.array(made[0][1].frequencies_hz), np.array(asked.frequencies_hz)
        at = in_sequence(f"measurements[{index}].frequency")
        cited = findings.cite(in_sequence(f"measurements[{made[0][0]}].frequency"))
        outside = wanted[(wanted < known.min() - 1.0) | (wanted > known.max() + 1.0)]
        if outside.size:
            findings.refuse(
                at,
                f"{format_quantity(float(outside[0]), 'Hz', 10)} is outside the calibrated band, "
                f"{format_quantity(float(known.min()), 'Hz', 10)} to {format_quantity(float(known.max()), 'Hz', 10)} ({cited}); "
                "calibrate the whole band, nothing is extrapolated",
            )
            continue
        between = wanted[np.abs(wanted[:, None] - known).min(axis=1) > 1.0]
        if between.size:
            findings.refuse(
                at,
                f"{format_quantity(float(between[0]), 'Hz', 10)} is not one of the calibrated frequencies ({cited}); give both "
                "the same steps",
            )


def _same_settings(made: tuple[int, NetworkSweep], index: int, asked: NetworkSweep, findings: Findings) -> None:
    """
    Error terms are those of the receivers as they were set: level moves their compression and the source's match, bandwidth what
    leaks in beside the carrier. Averages only lower noise.
    """
    where, known = made
    for key, was, now, unit in (
        ("level", known.level_dbm, asked.level_dbm, "dBm"),
        ("if_bandwidth", known.if_bandwidth_hz, asked.if_bandwidth_hz, "Hz"),
    ):
        if was != now:
            cited = findings.cite(in_sequence(f"measurements[{where}].{key}"))
            findings.refuse(
                in_sequence(f"measurements[{index}].{key}"),
                f"{format_quantity(now, unit)} is not what the calibration is made with, {format_quantity(was, unit)} ({cited}); "
                "a calibration holds for the settings it was made with: give both the same",
            )


def _way(channel: str, index: int, findings: Findings) -> _Way | None:
    bench = findings.bench
    wiring = bench.file.wiring.channels[channel].network
    if wiring is None:
        findings.refuse(
            in_sequence(f"measurements[{index}]"),
            f"needs a network analyser, and {bench.path.name} wires none to channel {channel}; expected "
            f"wiring.channels.{channel}.network: {{analyser: NAME, input_path: NAME, output_path: NAME}}",
        )
        return None
    settings = bench.file.instruments[wiring.analyser]
    assert isinstance(settings, NetworkAnalyserSettings), "load_bench checks roles"
    if "level_overshoot_db" not in settings.model_fields_set:
        findings.refuse(
            in_bench(f"instruments.{wiring.analyser}.level_overshoot"),
            "missing; how far the level goes too high while it settles, such as 0.3 dB; if it is known never to, write 0 dB",
        )
        return None
    return _Way(
        channel, wiring.analyser, settings, wiring, bench.paths[wiring.input_path], bench.paths[wiring.output_path]
    )


def _covers(way: _Way, asked: NetworkSweep, index: int, findings: Findings) -> bool:
    low_hz, high_hz = min(asked.frequencies_hz), max(asked.frequencies_hz)
    at, fits = in_sequence(f"measurements[{index}].frequency"), True
    span = f"{format_quantity(low_hz, 'Hz', 10)} to {format_quantity(high_hz, 'Hz', 10)}"
    if not way.analyser.frequency_min_hz <= low_hz <= high_hz <= way.analyser.frequency_max_hz:
        fits = False
        findings.refuse(at, f"{span} is outside {way.name}'s range (instruments.{way.name}.frequency_min, frequency_max)")
    if len(asked.frequencies_hz) > way.analyser.points_max:
        fits = False
        cited = findings.cite(in_bench(f"instruments.{way.name}.points_max"))
        findings.refuse(
            at, f"{len(asked.frequencies_hz)} points are more than {way.name} has, {way.analyser.points_max} ({cited})"
        )
    for path in (way.input_path, way.output_path):
        if not path.covers(low_hz, high_hz):
            fits = False
            findings.refuse(
                at,
                f"{span} is outside the table of path {path.name} ({findings.cite(in_bench(f'paths.{path.name}.loss'))}); tables "
                "are never extrapolated: measure the path further, or ask for less",
            )
    return fits


def _levels(way: _Way, asked: NetworkSweep, index: int, title: str, findings: Findings) -> None:
    limits, settings, paths = findings.sequence.file.limits, way.analyser, findings.bench.file.paths
    port_dbm = port_level_dbm(asked, way.input_path)
    error_db = settings.level_accuracy_db + settings.level_overshoot_db
    at = in_sequence(f"measurements[{index}].level")
    point = Point(measurement=title, channel=way.channel, level_dbm=asked.level_dbm)
    leaves_dbm = port_dbm + error_db
    frequencies = list(asked.frequencies_hz)
    # Bounds of the loss itself, its uncertainty taken off: what is certainly lost.
    input_loss_db = min(way.input_path.loss_bounds_db(hz)[0] for hz in frequencies)
    output_loss_db = min(way.output_path.loss_bounds_db(hz)[0] for hz in frequencies)
    device_dbm = leaves_dbm - input_loss_db
    # Nothing comes out of an unpowered part stronger than it went in.
    output_dbm = device_dbm if asked.is_unpowered else min(device_dbm + limits.gain_max_db, limits.saturated_power_max_dbm)
    # Port 2 drives the device's output; nothing of it comes back stronger than it went in.
    from_port_2_dbm = leaves_dbm - output_loss_db
    analyser = f"instruments.{way.name}"
    switches = [position.switch for position in (way.wiring.position,) if position is not None]
    rows = [
        (f"network analyser {way.name}", port_dbm, settings.level_max_dbm, in_bench(f"{analyser}.level_max"), at),
        ("device input", device_dbm, limits.input_power_max_dbm, in_sequence("limits.input_power_max"), at),
        ("device output", output_dbm, limits.output_power_max_dbm, in_sequence("limits.output_power_max"), at),
        ("device output, from port 2", from_port_2_dbm, limits.output_power_max_dbm, in_sequence("limits.output_power_max"), at),
        # A thru in place of the device, or a short at the end of a path without loss: never more than leaves the other port.
        (f"port of {way.name}", max(output_dbm - output_loss_db, leaves_dbm), settings.input_max_dbm,
         in_bench(f"{analyser}.input_max"), in_bench(f"{analyser}.input_max")),
    ]  # fmt: skip
    if asked.is_unpowered:
        assert limits.rf_unpowered_max_dbm is not None, "load_sequence checks that it is given"
        key = in_sequence("limits.rf_unpowered_max")
        rows += [
            ("device input, unpowered", device_dbm, limits.rf_unpowered_max_dbm, key, at),
            ("device output, unpowered, from port 2", from_port_2_dbm, limits.rf_unpowered_max_dbm, key, at),
        ]
    for path, level_dbm in ((way.wiring.input_path, leaves_dbm), (way.wiring.output_path, max(output_dbm, leaves_dbm))):
        key = in_bench(f"paths.{path}.power_max")
        rows.append((f"path {path}", level_dbm, paths[path].power_max_dbm, key, key))
    for name in switches:
        switch = findings.bench.file.instruments[name]
        assert isinstance(switch, SwitchSettings), "load_bench checks roles"
        key = in_bench(f"instruments.{name}.power_max")
        rows.append((f"switch {name}, network analyser's side", max(leaves_dbm, output_dbm), switch.power_max_dbm, key, key))
    for plane, worst_dbm, limit_dbm, limit_at, line in rows:
        check = Check(f"{plane}, channel {way.channel}", "level of S-parameters", worst_dbm, limit_dbm, "dBm", limit_at, point)
        findings.hold(check, line, f"{worst_dbm:.2f} dBm can be here ({point}; {way.name} {error_db:g} dB high)")
    if asked.readings_before:
        # A calibration's standards lie where the part was.
        warn_of_part(findings, title, way.channel, max(device_dbm, from_port_2_dbm))
    lowest = Check(
        f"network analyser {way.name}, channel {way.channel}", "level of S-parameters, lower", port_dbm, settings.level_min_dbm,
        "dBm", in_bench(f"{analyser}.level_min"), point, is_lower=True,
    )  # fmt: skip
    findings.hold(lowest, at, f"needs {port_dbm:.2f} dBm from {way.name} ({point}), and it cannot go so low")
    if not asked.is_unpowered and asked.level_dbm + limits.gain_max_db > limits.saturated_power_max_dbm - 15:
        findings.warn(
            f"{title}: {asked.level_dbm:g} dBm at the device is within 15 dB of saturation with gain up to "
            f"{limits.gain_max_db:g} dB: S-parameters may not be small-signal ones"
        )
    if any(path.minimum_loss_db(min(frequencies), max(frequencies)) < 0 for path in (way.input_path, way.output_path)):
        findings.refuse(
            in_bench(f"wiring.channels.{way.channel}.network"),
            "a path with gain (a negative loss) cannot be passed both ways, and S-parameters need both",
        )
