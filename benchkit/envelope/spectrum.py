"""
Whatever reads a spectrum held against the analyser: its band, its attenuator, its noise, and what it stands.

A device that is only biased may oscillate, at any frequency and as strong as it saturates. That is what an oscillation check is
for, and so the analyser must stand it.
"""

from __future__ import annotations

import math

from benchkit.bench.model import AnalyserSettings
from benchkit.bench.paths import LossPath
from benchkit.envelope.margins import Check, Findings, Point, in_bench, in_sequence
from benchkit.measurements.base import MeasurementBlock
from benchkit.measurements.spectrum_base import SpectrumAsked, sweep_s
from benchkit.plan.plan import Plan
from benchkit.quantities.format import format_quantity
from benchkit.roles.analyser_ratings import floor_dbm

__all__ = ["LONG_SWEEP_S", "PEAK_OVER_AVERAGE_DB", "prove_spectrum"]

# A peak detector shows noise so far above its average. Common practice, no source.
PEAK_OVER_AVERAGE_DB = 8.0
# Drain and gate are read once during a sweep; a longer one leaves them alone for long.
LONG_SWEEP_S = 10.0


def prove_spectrum(plan: Plan, findings: Findings) -> None:
    """Every measurement that asks the analyser alone, on every channel."""
    for index, block in enumerate(plan.measurements):
        asked = block.spectrum_asked()
        if asked is None:
            continue
        for channel in plan.channels:
            wired = _wired(channel, index, findings)
            if wired is not None:
                _Proof(channel, index, block, asked, *wired, findings).prove()


def _wired(channel: str, index: int, findings: Findings) -> tuple[str, AnalyserSettings, LossPath] | None:
    bench = findings.bench
    output = bench.file.wiring.channels[channel].output
    if output.analyser is None or output.analyser_path is None:
        findings.refuse(
            in_sequence(f"measurements[{index}]"),
            f"needs a spectrum analyser, and {bench.path.name} wires none to channel {channel}; expected "
            f"wiring.channels.{channel}.output: {{..., analyser: NAME, analyser_path: NAME}}",
        )
        return None
    settings = bench.file.instruments[output.analyser]
    assert isinstance(settings, AnalyserSettings), "load_bench checks roles"
    return output.analyser, settings, bench.paths[output.analyser_path]


class _Proof:
    """One measurement on one channel."""

    def __init__(
        self, channel: str, index: int, block: MeasurementBlock, asked: SpectrumAsked, name: str, settings: AnalyserSettings,
        path: LossPath, findings: Findings,
    ) -> None:  # fmt: skip
        self._channel, self._index, self._block, self._asked = channel, index, block, asked
        self._name, self._settings, self._path, self._findings = name, settings, path, findings

    def prove(self) -> None:
        if self._bands():
            self._noise()
        self._attenuator()
        self._stands()
        sweep = self._asked.sweep
        if sweep is not None:
            time_s = sweep_s(sweep.stop_hz - sweep.start_hz, sweep.bandwidth_hz, self._settings.reading_time_s)
            if time_s > LONG_SWEEP_S:
                self._findings.warn(
                    f"{self._block.title}: one sweep takes {time_s:.0f} s, and drain and gate are read once in it; a wider "
                    "resolution_bandwidth sweeps faster"
                )

    def _key(self, key: str) -> str:
        return f"measurements[{self._index}].{key}"

    def _bands(self) -> bool:
        """The analyser reaches every frequency; the path's table those at which a level at the device's plane is wanted."""
        settings, findings, asked = self._settings, self._findings, self._asked
        wanted = [("frequency", hz, hz) for hz in (min(asked.lines_hz), max(asked.lines_hz))] if asked.lines_hz else []
        fits = True
        if asked.sweep is not None:
            under = f"{asked.sweep.key}." if asked.sweep.key else ""
            wanted += [(f"{under}from", asked.sweep.start_hz, asked.sweep.start_hz),
                       (f"{under}to", asked.sweep.stop_hz, asked.sweep.stop_hz)]  # fmt: skip
        for key, low_hz, high_hz in wanted:
            if not settings.frequency_min_hz <= low_hz <= high_hz <= settings.frequency_max_hz:
                fits = False
                end = "frequency_min" if low_hz < settings.frequency_min_hz else "frequency_max"
                what = "a line at " if key == "frequency" else ""
                advice = "; ask for fewer harmonics, or a lower carrier" if what and end == "frequency_max" else ""
                findings.refuse(
                    in_sequence(self._key(key)),
                    f"{what}{_hz(low_hz)} is outside {self._name}'s range, {_hz(settings.frequency_min_hz)} to "
                    f"{_hz(settings.frequency_max_hz)} ({findings.cite(in_bench(f'instruments.{self._name}.{end}'))}){advice}",
                )
        in_reach = [hz for hz in asked.lines_hz if hz <= settings.frequency_max_hz]
        spans = [("frequency", hz, hz) for hz in in_reach] + [(one.key, one.start_hz, one.stop_hz) for one in asked.bounds]
        for key, low_hz, high_hz in spans:
            if not self._path.covers(low_hz, high_hz):
                fits = False
                band = f"{_hz(self._path.frequency_min_hz)} to {_hz(self._path.frequency_max_hz)}"
                findings.refuse(
                    in_sequence(self._key(key)),
                    f"{_hz(low_hz)}{'' if low_hz == high_hz else f' to {_hz(high_hz)}'} is outside the table of path "
                    f"{self._path.name}, {band} ({findings.cite(in_bench(f'paths.{self._path.name}.loss'))}), and a level at the "
                    "device's output is wanted there; tables are never extrapolated: measure the path further, or ask for less",
                )
        return fits

    def _noise(self) -> None:
        """What the rating says of the noise must leave room below every level that is to be seen."""
        asked, settings, findings = self._asked, self._settings, self._findings
        sweep = asked.sweep
        if sweep is None:
            return
        average_dbm = floor_dbm(settings.noise_floor_dbm, sweep.bandwidth_hz, asked.attenuation_db)
        if math.isnan(average_dbm):
            findings.warn(
                f"{self._name}: its noise is not stated (instruments.{self._name}.noise_floor): whether "
                f"{self._block.title} sees what it "
                "is to see shows only when it is measured"
            )
            return
        for bound in asked.bounds:
            if math.isnan(bound.level_dbm):
                continue
            loss_db = self._path.extremes_db(bound.start_hz, bound.stop_hz)[1]
            noise_dbm = average_dbm + PEAK_OVER_AVERAGE_DB + loss_db
            if noise_dbm + asked.noise_margin_db > bound.level_dbm:
                findings.refuse(
                    in_sequence(self._key(bound.key)),
                    f"{bound.level_dbm:g} dBm could not be seen: noise of {self._name} reads up to {noise_dbm:.1f} dBm at "
                    "the device's "
                    f"output ({findings.cite(in_bench(f'instruments.{self._name}.noise_floor'))}, {sweep.bandwidth_hz:g} Hz, "
                    f"{asked.attenuation_db:g} dB of attenuation, up to {loss_db:.1f} dB of path), and must be "
                    f"{asked.noise_margin_db:g} dB below; narrow resolution_bandwidth, or take less attenuation",
                )

    def _attenuator(self) -> None:
        asked, settings, findings = self._asked, self._settings, self._findings
        step_db, most_db = settings.attenuation_step_db, settings.attenuation_max_db
        more_db = asked.check_step_db or 0.0
        wanted = [("attenuation", asked.attenuation_db, asked.attenuation_db)]
        wanted += [("check_step", more_db, asked.attenuation_db + more_db)] if more_db else []
        for key, value_db, total_db in wanted:
            at = in_sequence(self._key(key))
            if step_db is not None and abs(value_db / step_db - round(value_db / step_db)) > 1e-6:
                cited = findings.cite(in_bench(f"instruments.{self._name}.attenuation_step"))
                findings.refuse(at, f"{value_db:g} dB is no multiple of {self._name}'s attenuator step, {step_db:g} dB ({cited})")
            if most_db is not None and total_db > most_db:
                cited = findings.cite(in_bench(f"instruments.{self._name}.attenuation_max"))
                findings.refuse(at, f"{total_db:g} dB in all: {self._name}'s attenuator has, {most_db:g} dB ({cited})")

    def _stands(self) -> None:
        """The most that the device can give, at the frequency where the path loses least, driven or not."""
        limits, findings, path = self._findings.sequence.file.limits, self._findings, self._path
        losses = [
            loss_db - uncertainty_db for loss_db, uncertainty_db in zip(path.losses_db, path.uncertainties_db, strict=True)
        ]
        output_dbm, note = limits.saturated_power_max_dbm, "oscillating at saturation"
        saturation_dbm = findings.bench.file.paths[path.name].saturated_power_max_dbm
        arrives_dbm = output_dbm - min(losses)
        if saturation_dbm is not None:
            arrives_dbm = min(arrives_dbm, saturation_dbm)
        point = Point(note=note, measurement=self._block.title, channel=self._channel)
        rows = [
            (f"spectrum analyser {self._name}", arrives_dbm, self._settings.input_max_dbm, f"instruments.{self._name}.input_max"),
            (f"range of {self._name}", arrives_dbm, self._settings.range_max_dbm, f"instruments.{self._name}.range_max"),
            (f"path {path.name}, at the device", output_dbm, findings.bench.file.paths[path.name].power_max_dbm,
             f"paths.{path.name}.power_max"),
        ]  # fmt: skip
        for plane, worst_dbm, limit_dbm, key in rows:
            where = f"{plane}, channel {self._channel}"
            check = Check(where, "level of a spectrum", worst_dbm, limit_dbm, "dBm", in_bench(key), point)
            findings.hold(
                check, in_bench(key),
                f"{worst_dbm:.2f} dBm can be here ({point}; up to {output_dbm:g} dBm leave the device, by "
                "limits.saturated_power_max)",
            )  # fmt: skip


def _hz(hz: float) -> str:
    return format_quantity(hz, "Hz", 10)
