"""
Power readings before anything is biased, the part taken off: held against every limit and rating, wherever hands may have put
the sensor.

What a table is worth is what is measured here, so that of a path without an amplifier nothing is relied on: behind it there is
never more than entered. Of one with gain its stated saturated output is the end, or what its table allows, whichever is less.
And the part may still be where the thru should be: no more than limits.input_power_max gets there.
"""

from __future__ import annotations

import numpy as np

from benchkit.envelope.chain import Chain, Tap
from benchkit.envelope.interval import Interval
from benchkit.envelope.margins import Check, Findings, Key, Point, block_key, in_bench, in_sequence
from benchkit.envelope.part_forgotten import warn_of_part
from benchkit.envelope.path_loss import loss_at
from benchkit.envelope.power_wired import chains, covers, stated, wired
from benchkit.envelope.rf_levels import rf_levels, through
from benchkit.envelope.rf_walls import SourceReach
from benchkit.measurements.base import MeasurementBlock
from benchkit.measurements.power_before import SENSOR_AT_ANALYSER, THRU, Feed, PowerBefore, Step
from benchkit.plan.plan import Plan

__all__ = ["prove_power_before"]


def prove_power_before(plan: Plan, findings: Findings) -> list[SourceReach]:
    """
    Every reading of every channel.

    Returns:
        For each channel and measurement, what is needed of the source and how little the path may take off.
    """
    reaches: list[SourceReach] = []
    asking = [(index, block, asked) for index, block in enumerate(plan.measurements) if (asked := block.power_before())]
    for index, block, asked in asking:
        for channel in plan.channels:
            if not wired(channel, index, asked, findings):
                continue
            for feed, chain in chains(channel, asked, findings):
                if covers(chain, index, asked, findings) and stated(chain, asked, findings):
                    reaches.append(_Readings(chain, feed, index, block, asked, findings).prove())
    measured = [one for one in asking if one[2].plane == "source"]
    verified = [one for one in asking if one[2].plane == "device"]
    if measured and verified:
        findings.warn(
            f"{verified[0][1].title} looks at the tables of {findings.bench.path.name}, not at those that {measured[0][1].title} "
            "measures in the same run: export those, name them in the bench file, and verify in the next"
        )
    return reaches


class _Readings:
    """One channel's readings of one measurement, with one source on: the others are read back off."""

    def __init__(
        self, chain: Chain, feed: Feed, index: int, block: MeasurementBlock, asked: PowerBefore, findings: Findings
    ) -> None:
        self._chain, self._feed, self._title, self._asked, self._findings = chain, feed, block.title, asked, findings
        self._key = f"{block_key(index)}.level"
        self._top = findings.end_of(self._key, highest=True)
        self._bottom = findings.end_of(self._key, highest=False)
        self._frequencies_hz = np.array(asked.frequencies_hz, dtype=np.float64)
        level = Interval.between(*(np.full(self._frequencies_hz.size, end(asked.levels_dbm)) for end in (min, max)))
        in_loss, out_loss = loss_at(chain.input_path, self._frequencies_hz), loss_at(chain.output_path, self._frequencies_hz)
        self._in_loss, self._out_loss = in_loss, out_loss
        truths = chain.truths
        if asked.plane == "source":
            self._set = level
            self._leaves = level + truths.source_error
            self._at_device = _behind(self._leaves, in_loss.true, truths.input_saturation_dbm)
            self._device_input = through(self._leaves, in_loss.true, truths.input_saturation_dbm)
        else:
            levels = rf_levels(level, in_loss, out_loss, truths)
            self._set, self._leaves = levels.asked, levels.leaves_source
            self._at_device = _behind(self._leaves, in_loss.true, truths.input_saturation_dbm)
            self._device_input = levels.device_input

    def prove(self) -> SourceReach:
        chain, findings = self._chain, self._findings
        limits, meter = findings.sequence.file.limits, f"instruments.{chain.meter_name}"
        behind_thru = _behind(self._at_device, self._out_loss.true, chain.truths.output_saturation_dbm)
        source = f"source {chain.source_name}"
        self._hold(source, self._set, chain.source.level_max_dbm, in_bench(f"instruments.{chain.source_name}.level_max"))
        self._hold(
            source, self._set, chain.source.level_min_dbm, in_bench(f"instruments.{chain.source_name}.level_min"), lowest=True
        )
        # The part may be there, forgotten, where the sensor or the thru should be.
        self._hold("device input", self._device_input, limits.input_power_max_dbm, in_sequence("limits.input_power_max"))
        warn_of_part(findings, f"{self._title}, {chain.source_name}", chain.channel, self._device_input.highest)
        worst = _either(self._leaves, self._at_device)
        # Wherever the sensor is, and whatever hands may have confused; the analyser's cable among it once hands take it.
        anywhere = _either(worst, behind_thru)
        cables = [tap for tap in chain.taps if self._reads_at(tap)]
        for tap in cables:
            anywhere = _either(anywhere, self._behind_tap(tap))
        self._hold(f"sensor of {chain.meter_name}", anywhere, chain.meter.input_max_dbm, in_bench(f"{meter}.input_max"))
        self._hold(f"range of {chain.meter_name}", anywhere, chain.meter.range_max_dbm, in_bench(f"{meter}.range_max"))
        self._hold_lowest(cables)
        for path, level, rating_dbm in (
            (chain.input_path, self._leaves, chain.input_power_max_dbm),
            (chain.output_path, self._at_device, chain.output_power_max_dbm),
        ):
            self._hold(f"path {path.name}", level, rating_dbm, in_bench(f"paths.{path.name}.power_max"))
        if chain.switch is not None:
            key = in_bench(f"instruments.{chain.switch_name}.power_max")
            self._hold(f"switch {chain.switch_name}", anywhere, chain.switch.power_max_dbm, key)
        for tap in chain.taps:
            level = self._behind_tap(tap)
            self._hold(f"{tap.role} {tap.name}", level, tap.input_max_dbm, in_bench(f"instruments.{tap.name}.input_max"))
            self._hold(f"path {tap.path.name}", self._at_device, tap.power_max_dbm, in_bench(f"paths.{tap.path.name}.power_max"))
        return SourceReach(chain, self._set.highest, self._in_loss.true.lowest)

    def _reads_at(self, tap: Tap) -> bool:
        """Whether hands put the sensor on the cable of this one, the spectrum analyser."""
        is_analyser = tap.name == self._findings.bench.file.wiring.channels[self._chain.channel].output.analyser
        return is_analyser and self._asked.connects(SENSOR_AT_ANALYSER)

    def _behind_tap(self, tap: Tap) -> Interval:
        return _behind(self._at_device, loss_at(tap.path, self._frequencies_hz).true, tap.saturation_dbm)

    def _hold_lowest(self, cables: list[Tap]) -> None:
        """The weakest that is read of this source must be in the meter's range: behind the thru, else at the plane."""
        chain, truths = self._chain, self._chain.truths
        weakest: list[tuple[str, Interval]] = []
        if Step(THRU, self._feed) in self._asked.steps:
            weakest.append(("behind a thru", through(self._device_input, self._out_loss.true, truths.output_saturation_dbm)))
        for tap in cables if Step(SENSOR_AT_ANALYSER, self._feed) in self._asked.steps else ():
            loss = loss_at(tap.path, self._frequencies_hz).true
            weakest.append((f"at the cable of {tap.name}", through(self._device_input, loss, tap.saturation_dbm)))
        key = in_bench(f"instruments.{chain.meter_name}.range_min")
        for where, level in weakest or [("at the device's plane", self._device_input)]:
            self._hold(f"range of {chain.meter_name}, {where}", level, chain.meter.range_min_dbm, key, lowest=True)

    def _hold(self, plane: str, levels: Interval, limit_dbm: float, limit_at: Key, *, lowest: bool = False) -> None:
        values = levels.low if lowest else levels.high
        at = int(np.argmin(values) if lowest else np.argmax(values))
        worst_dbm = float(values[at])
        asked_dbm = float(min(self._asked.levels_dbm) if lowest else max(self._asked.levels_dbm))
        plane_asked = self._feed if self._asked.plane == "source" else "device"
        point = Point(
            note=f"at the {plane_asked}", measurement=self._title, channel=self._chain.channel,
            frequency_hz=float(self._frequencies_hz[at]), level_dbm=asked_dbm,
        )  # fmt: skip
        quantity = "level before bias, lower" if lowest else "level before bias"
        check = Check(
            f"{plane}, channel {self._chain.channel}", quantity, worst_dbm, limit_dbm, "dBm", limit_at, point, is_lower=lowest
        )
        if lowest and plane.startswith("source"):
            said = f"needs {worst_dbm:.2f} dBm from {self._chain.source_name} ({point}), and it cannot go so low"
        elif lowest:
            said = f"no more than {worst_dbm:.2f} dBm may arrive here ({plane}; {point})"
        else:
            said = f"{worst_dbm:.2f} dBm can be here ({plane}; {point})"
        advice = f"ask for at most {np.floor((asked_dbm + check.margin) * 10 + 1e-6) / 10:g} dBm"
        if lowest:
            advice = f"ask for at least {np.ceil((asked_dbm - check.margin) * 10 - 1e-6) / 10:g} dBm"
        self._findings.hold(check, self._bottom if lowest else self._top, said, advice)


def _behind(level: Interval, loss: Interval, saturation_dbm: float | None) -> Interval:
    """Behind a path: without an amplifier as much as entered; else by its table, and never more than it can give. [dBm]"""
    if saturation_dbm is None:
        return Interval.between(np.minimum((level - loss).low, level.low), level.high)
    return (level - loss).capped(saturation_dbm)


def _either(one: Interval, other: Interval) -> Interval:
    """Of two places the one where there is more. [dBm]"""
    return Interval.between(np.maximum(one.low, other.low), np.maximum(one.high, other.high))
