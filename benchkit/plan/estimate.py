"""How long a plan takes on a bench, from the bench's own times. A point costs its slowest instrument, not the sum."""

from __future__ import annotations

import math
from dataclasses import dataclass

from benchkit.bench.model import (
    AnalyserSettings,
    BenchFile,
    ChamberSettings,
    NetworkAnalyserSettings,
    PowerMeterSettings,
    SourceSettings,
    SupplySettings,
    VoltmeterSettings,
)
from benchkit.measurements.base import MeasurementBlock
from benchkit.measurements.spectrum_base import sweep_s
from benchkit.plan.pace import NO_PACE, Pace
from benchkit.plan.plan import Condition, Plan
from benchkit.sequence.model import SequenceFile

__all__ = ["BEGINNINGS", "BIAS", "READ_OFF", "Estimate", "StageEstimate", "estimate", "point_time_s"]

# Trim: the search steps up from its start, then closes in; about this many readings on the parts seen so far.
TRIM_READINGS = 14
# Drain up in four steps, drain down, gate down: each one settling and one reading.
BIAS_READINGS = 8


BIAS, READ_OFF = ": bias up and down", ": every supply read off"
BEGINNINGS = (BIAS, READ_OFF)
"""How the first stage of a condition is called: of one that is biased, and of the unpowered one."""

WARMING = "warming before the chamber may be opened"
BENCH_FILE, EARLIER = "bench file", "earlier records"


@dataclass(frozen=True)
class StageEstimate:
    """
    One line of the estimate. `points` counts points when no ladder stops early.

    Attributes:
        basis: What the time was taken from: the bench file's own times, or earlier records.
    """

    what: str
    ladders: int
    points: int
    time_s: float
    basis: str = BENCH_FILE


@dataclass(frozen=True)
class Estimate:
    stages: tuple[StageEstimate, ...]

    @property
    def total_s(self) -> float:
        return sum(stage.time_s for stage in self.stages)


def reading_time_s(bench: BenchFile, channel: str) -> float:
    """The slowest of the instruments that read one channel. [s]"""
    wiring = bench.wiring.channels[channel]
    names = {wiring.output.power_meter} | {pin.supply for pin in (*wiring.drains, *wiring.gates)}
    names |= {pin.voltmeter for pin in (wiring.detector, wiring.reference) if pin is not None}
    if bench.wiring.case_sensor is not None:
        names.add(bench.wiring.case_sensor.voltmeter)
    times = []
    for name in names:
        settings = bench.instruments[name]
        if isinstance(settings, SourceSettings):
            continue
        count = 1
        if isinstance(settings, SupplySettings):
            # One instrument reads its outputs one after the other.
            count = sum(pin.supply == name for pin in (*wiring.drains, *wiring.gates))
        elif isinstance(settings, VoltmeterSettings):
            count = 1
        times.append(count * getattr(settings, "reading_time_s", 0.0))
    return max(times)


def point_time_s(bench: BenchFile, channel: str) -> float:
    """One driven point: the source settles, then the slowest instrument reads. [s]"""
    source = bench.instruments[bench.wiring.channels[channel].input.source]
    settling_s = source.settling_time_s if isinstance(source, SourceSettings) else 0.0
    return settling_s + reading_time_s(bench, channel)


def tone_point_time_s(block: MeasurementBlock, bench: BenchFile, channel: str) -> tuple[float, float]:
    """
    One point of two tones, every line of it (with a check step all of them again), and how long the sources settle. [s]

    A line takes the analyser's reading time, or what its filter wants: four bandwidths wide, 2 x span / bandwidth^2 long (a
    swept filter; common practice, no source).
    """
    asked, wiring = block.two_tones(), bench.wiring.channels[channel]
    name = wiring.output.analyser
    settings = None if name is None else bench.instruments[name]
    if asked is None or not isinstance(settings, AnalyserSettings):
        return 0.0, 0.0
    sources = [bench.instruments[one] for one in (wiring.input.source, wiring.input.second_source) if one is not None]
    settling_s = max(one.settling_time_s for one in sources if isinstance(one, SourceSettings))
    line_s = max(settings.reading_time_s, 2.0 * 4.0 / asked.bandwidth_hz)
    turns = 1 if asked.check_step_db is None else 2
    lines_s = asked.sweeps / turns * line_s
    return settling_s + turns * max(lines_s, reading_time_s(bench, channel)), settling_s


def spectrum_time_s(block: MeasurementBlock, bench: BenchFile, channel: str) -> float:
    """All sweeps of the spectrum analyser alone at one condition; what stands out and is looked at again is not foreseen. [s]"""
    asked, name = block.spectrum_asked(), bench.wiring.channels[channel].output.analyser
    settings = None if name is None else bench.instruments[name]
    if asked is None or not isinstance(settings, AnalyserSettings):
        return 0.0
    reading_s = reading_time_s(bench, channel)
    total_s = 0.0
    if asked.sweep is not None:
        span_hz = asked.sweep.stop_hz - asked.sweep.start_hz
        total_s = asked.sweep_count * max(reading_s, sweep_s(span_hz, asked.sweep.bandwidth_hz, settings.reading_time_s))
    if asked.line_count:
        # A line is swept over four bandwidths.
        line_s = sweep_s(4.0 * asked.line_bandwidth_hz, asked.line_bandwidth_hz, settings.reading_time_s)
        turns = 2 * block.point_count()
        total_s += turns * max(reading_s, asked.line_count / turns * line_s)
    return total_s


def sweep_time_s(block: MeasurementBlock, bench: BenchFile, channel: str) -> tuple[float, int, int]:
    """One reading of the network analyser, how many there are at each condition, and before the first. [s]"""
    asked, wiring = block.network_sweep(), bench.wiring.channels[channel].network
    settings = None if wiring is None else bench.instruments[wiring.analyser]
    if asked is None or not isinstance(settings, NetworkAnalyserSettings):
        return 0.0, 0, 0
    point_s = settings.reading_time_s * settings.if_bandwidth_hz / asked.if_bandwidth_hz
    sweep_s = settings.settling_time_s + point_s * len(asked.frequencies_hz) * asked.averages
    return sweep_s, asked.readings, asked.readings_before


def power_before_time_s(block: MeasurementBlock, bench: BenchFile, channel: str) -> float:
    """All power readings of one channel before the first condition: each time the source settles and the meter averages. [s]"""
    asked, wiring = block.power_before(), bench.wiring.channels[channel]
    meter = bench.instruments[wiring.output.power_meter]
    if asked is None or not isinstance(meter, PowerMeterSettings):
        return 0.0
    names = {"source": wiring.input.source, "second source": wiring.input.second_source}
    total_s = 0.0
    for step in asked.steps:
        name = names[step.feed]
        source = None if name is None else bench.instruments[name]
        if isinstance(source, SourceSettings):
            total_s += asked.readings_in_step * (source.settling_time_s + asked.averages * meter.reading_time_s)
    return total_s


def temperature_time_s(sequence: SequenceFile, bench: BenchFile, start_degc: float, target_degc: float) -> float:
    """
    Ramp, time in tolerance, and the case catching up. [s]

    A case that lags with time constant tau behind air ramped at r still drifts at r exp(-t/tau) a time t after the ramp's
    end, so it is still enough after tau ln(r / drift_max) (first-order lag; common practice, no source).
    """
    conditions, name = sequence.conditions.temperature, bench.wiring.chamber
    if conditions is None or name is None:
        return 0.0
    chamber = bench.instruments[name]
    if not isinstance(chamber, ChamberSettings):
        return 0.0
    soak = conditions.soak
    ramp_k_per_s = chamber.ramp_k_per_min / 60.0
    ramp_s = abs(target_degc - start_degc) / ramp_k_per_s
    still_s = 0.0
    if soak.drift_max_k_per_min is not None and chamber.case_time_constant_s is not None and ramp_s > 0:
        # The ramp may be too short for the drift to reach the full rate.
        rate = chamber.ramp_k_per_min * (1.0 - math.exp(-ramp_s / chamber.case_time_constant_s))
        still_s = chamber.case_time_constant_s * max(0.0, math.log(rate / soak.drift_max_k_per_min))
    waits_s = max(soak.in_tolerance_for_s, still_s)
    if soak.device is not None:
        # Biased when the air is there, a device warms its case by itself for a time constant or more; then comes the window of
        # readings that it is judged by.
        waits_s = max(waits_s, 1.5 * (chamber.case_time_constant_s or 0.0)) + soak.device.over_s + soak.poll_every_s
    return ramp_s + min(soak.at_most_s, waits_s + soak.poll_every_s)


def warming_time_s(sequence: SequenceFile, bench: BenchFile, from_degc: float) -> float:
    """
    From the chamber being sent to idle until it may be opened (warm_before_opening); 0 where nothing is waited for. [s]

    The case lags behind air ramped at r with time constant tau: it is where the air is, less r tau (1 - exp(-t / tau)); after the
    ramp it comes up exponentially (first-order lag; common practice, no source).
    """
    conditions, name = sequence.conditions.temperature, bench.wiring.chamber
    if conditions is None or conditions.warm_before_opening is None or name is None:
        return 0.0
    chamber, warm = bench.instruments[name], conditions.warm_before_opening
    assert isinstance(chamber, ChamberSettings), "load_bench checks roles"
    span_k, wanted_k = conditions.idle_degc - from_degc, warm.warm_degc - from_degc
    if wanted_k <= 0:
        return 0.0
    ramp_s, tau_s = abs(span_k) / chamber.ramp_k_per_min * 60.0, chamber.case_time_constant_s or 0.0

    def case_k(time_s: float) -> float:
        """Warmer than at the beginning by this much."""
        ramped_s = min(time_s, ramp_s)
        lag_k = chamber.ramp_k_per_min / 60.0 * tau_s * (1.0 - math.exp(-ramped_s / tau_s)) if tau_s else 0.0
        after = math.exp(-(time_s - ramped_s) / tau_s) if tau_s else 0.0
        return span_k * ramped_s / ramp_s - lag_k * (after if time_s > ramp_s else 1.0)

    low_s, high_s = 0.0, warm.at_most_s
    if span_k <= 0 or case_k(high_s) < wanted_k:
        return warm.at_most_s
    while high_s - low_s > 0.5:
        middle_s = (low_s + high_s) / 2
        low_s, high_s = (middle_s, high_s) if case_k(middle_s) < wanted_k else (low_s, middle_s)
    return high_s + conditions.soak.poll_every_s / 2


def estimate(
    plan: Plan, sequence: SequenceFile, bench: BenchFile, *, ambient_degc: float = 25.0, pace: Pace = NO_PACE
) -> Estimate:
    """
    Time per stage and in all, from the bench file's own times, when no ladder stops early.

    Args:
        ambient_degc: Where the chamber stands at the start. [degC]
        pace: What earlier records of this bench tell; each stage that they know of is taken from them.
    """
    stages: list[StageEstimate] = []
    present_degc = ambient_degc
    for channel in plan.channels:
        for block in plan.measurements:
            sweep_s, _, before = sweep_time_s(block, bench, channel)
            if block.power_before() is not None:
                time_s = power_before_time_s(block, bench, channel)
                stages.append(StageEstimate(f"channel {channel}: {block.title}, hands' time and zeroing apart", 0, 0, time_s))
            if before:
                stages.append(StageEstimate(f"channel {channel}: {block.title}, hands' time apart", 0, 0, before * sweep_s))
    for temperature_degc in plan.temperatures_degc:
        if temperature_degc is not None:
            time_s = temperature_time_s(sequence, bench, present_degc, temperature_degc)
            settings = sequence.conditions.temperature
            known_s = math.nan if settings is None else pace.soak_s(settings.soak, present_degc, temperature_degc)
            stages.append(_stage(f"to {temperature_degc:+g} °C and soak", 0, 0, time_s, known_s))
            present_degc = temperature_degc
        for channel in plan.channels:
            point_s, reading_s = point_time_s(bench, channel), reading_time_s(bench, channel)
            bias_s = (TRIM_READINGS + BIAS_READINGS) * (sequence.bias.settling_time_s + reading_s)
            for supply_voltage_v in plan.supplies_v:
                at = Condition(0, temperature_degc, channel, supply_voltage_v)
                where = str(at)
                if at.is_powered:
                    stages.append(_stage(f"{where}{BIAS}", 0, 0, bias_s, pace.condition_s()))
                else:
                    stages.append(StageEstimate(f"{where}{READ_OFF}", 0, 0, sequence.bias.settling_time_s + reading_s))
                measuring_s = 0.0
                for _, block in plan.measured_at(at):
                    points, ladders = block.point_count(), block.ladder_count()
                    each_s = point_s if block.needs_drive else reading_s
                    time_s = points * each_s + (ladders * (point_s - reading_s) if block.needs_drive else 0.0)
                    if block.two_tones() is not None:
                        tones_s, settling_s = tone_point_time_s(block, bench, channel)
                        time_s = points * tones_s + ladders * settling_s
                    if block.spectrum_asked() is not None:
                        # Undriven, the sweep is the reading.
                        time_s = (time_s if block.needs_drive else 0.0) + spectrum_time_s(block, bench, channel)
                    sweep_s, count, _ = sweep_time_s(block, bench, channel)
                    known_s = ladders * pace.ladder_s(block)
                    stages.append(_stage(f"{where}: {block.title}", ladders, points, time_s + count * sweep_s, known_s))
                    measuring_s += stages[-1].time_s
                if plan.sentinel is not None and at.is_powered:
                    # At the beginning, at the end, and in between as often as its interval fits.
                    turns = 2 + int(measuring_s / plan.sentinel.every_s)
                    time_s = turns * (plan.sentinel.point_count() * point_s + point_s - reading_s)
                    stages.append(StageEstimate(f"{where}: {plan.sentinel.title}", 0, 0, time_s))
    idle = sequence.conditions.temperature
    if idle is not None and bench.wiring.chamber is not None:
        stages.append(StageEstimate(f"chamber set to idle at {idle.idle_degc:+g} °C", 0, 0, 0.0))
        warming_s = warming_time_s(sequence, bench, present_degc)
        if warming_s > 0:
            stages.append(StageEstimate(WARMING, 0, 0, warming_s))
    return Estimate(tuple(stages))


def _stage(what: str, ladders: int, points: int, time_s: float, known_s: float) -> StageEstimate:
    """As earlier records know it, if they do."""
    if math.isnan(known_s):
        return StageEstimate(what, ladders, points, time_s)
    return StageEstimate(what, ladders, points, known_s, EARLIER)
