"""RF from the source to the meter: every driven ladder of the plan held against every limit and rating on its way."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from benchkit.envelope.chain import Chain, Tap, chain_of
from benchkit.envelope.interval import Interval
from benchkit.envelope.margins import Check, Findings, Key, Point, block_key, in_bench, in_sequence
from benchkit.envelope.rf_bands import prove_bands, prove_saturation
from benchkit.envelope.rf_levels import RfLevels, rf_levels, through
from benchkit.envelope.rf_walls import SourceReach
from benchkit.envelope.stretches import EXACT_LADDERS, Stretch, ascends, stretches
from benchkit.errors import MisuseError
from benchkit.measurements.base import MeasurementBlock
from benchkit.plan.plan import Plan

__all__ = ["ChainProof", "prove_rf"]

Say = Callable[[str, Point], str]
"""From the worst level, with its unit, and the point of the plan to a message."""


def prove_rf(plan: Plan, findings: Findings) -> list[SourceReach]:
    """
    Every driven measurement on every channel. Levels do not depend on temperature or supply voltage, so that each ladder is
    looked at once for all conditions.

    Returns:
        For each channel and measurement, what is needed of the source and how little the path may take off.
    """
    driven = [(index, block) for index, block in plan.asked() if block.needs_drive]
    if not driven:
        return []
    chains = [chain for channel in plan.channels if (chain := chain_of(channel, findings)) is not None]
    reaches: list[SourceReach] = []
    for index, block in driven:
        span_hz, drive_dbm = block.frequency_span_hz(), block.drive_span_dbm()
        if span_hz is None or drive_dbm is None:
            raise MisuseError(f"{block.kind}: a kind that needs drive states its frequencies and levels")
        levels_dbm = next(block.ladders()).levels_dbm
        if not ascends(levels_dbm):
            findings.refuse(
                in_sequence(f"{block_key(index)}.drive"),
                f"the levels of a ladder ascend, so that RF never comes on at its highest; these do not: {_listed(levels_dbm)}",
            )
            continue
        known = [
            chain
            for chain in chains
            if prove_bands(chain, index, span_hz, findings) and prove_saturation(chain, index, span_hz, drive_dbm, findings)
        ]
        for stretch in stretches(block, span_hz, drive_dbm, EXACT_LADDERS // len(driven)):
            reaches += [ChainProof(chain, index, block, stretch, findings).prove() for chain in known]
    return reaches


class ChainProof:
    """
    One channel's chain for some ladders of one measurement.

    Args:
        levels: When the chain is not all that drives the device; default: it is.
        note: What to say of every point then.
        reads_meter: Whether the power meter is read: then its range counts, too.
    """

    def __init__(
        self,
        chain: Chain,
        index: int,
        block: MeasurementBlock,
        stretch: Stretch,
        findings: Findings,
        *,
        levels: RfLevels | None = None,
        note: str = "",
        reads_meter: bool = True,
    ) -> None:
        self._chain, self._title, self._stretch, self._findings = chain, block.title, stretch, findings
        self._note, self._reads_meter = note, reads_meter
        self._limits = findings.sequence.file.limits
        self._in_loss = stretch.loss(chain.input_path)
        self._out_loss = stretch.loss(chain.output_path)
        self._levels = rf_levels(stretch.drive, self._in_loss, self._out_loss, chain.truths) if levels is None else levels
        self._top = findings.end_of(f"{block_key(index)}.drive", highest=True)
        self._bottom = findings.end_of(f"{block_key(index)}.drive", highest=False)

    def prove(self) -> SourceReach:
        self._source()
        self._device_input()
        self._device_output()
        self._ratings()
        self._switch()
        for tap in self._chain.taps:
            self._tap(tap)
        return self._reach()

    def _worst(self, values: NDArray[np.float64], *, lowest: bool = False) -> tuple[float, int]:
        """The most dangerous of the ladders, and which."""
        at = int(np.argmin(values) if lowest else np.argmax(values))
        return float(np.atleast_1d(values)[at]), at

    def _point(self, at: int, *, lowest: bool = False) -> Point:
        stretch = self._stretch
        level = np.atleast_1d(stretch.drive.low if lowest else stretch.drive.high)[at if stretch.is_exact else 0]
        point = Point(note=self._note, measurement=self._title, channel=self._chain.channel, level_dbm=float(level))
        if stretch.is_exact:
            return replace(point, frequency_hz=float(stretch.frequencies_hz[at]))
        low_hz, high_hz = (float(value) for value in stretch.frequencies_hz)
        return replace(point, frequency_hz=low_hz, frequency_to_hz=high_hz)

    def _hold(
        self, plane: str, levels: Interval, limit_dbm: float, limit_at: Key, at: Key, say: Say, *, ask_less: bool = False
    ) -> None:
        worst_dbm, index = self._worst(levels.high)
        point = self._point(index)
        check = Check(plane, "level", worst_dbm, limit_dbm, "dBm", limit_at, point)
        advice = ""
        if ask_less and point.level_dbm is not None:
            advice = f"ask for at most {np.floor((point.level_dbm + check.margin) * 10 + 1e-6) / 10:g} dBm"
        self._findings.hold(check, at, say(f"{worst_dbm:.2f} dBm", point), advice)

    def _plane(self, name: str) -> str:
        return f"{name}, channel {self._chain.channel}"

    def _source(self) -> None:
        name, source = self._chain.source_name, self._chain.source
        loss_db, _ = self._worst(self._in_loss.nominal.high)
        self._hold(
            self._plane(f"source {name}"), self._levels.asked, source.level_max_dbm, in_bench(f"instruments.{name}.level_max"),
            self._top,
            lambda worst, point: f"needs {worst} from {name} ({point}; path {self._chain.input_path.name} loses up to "
            f"{loss_db:.2f} dB)",
            ask_less=True,
        )  # fmt: skip
        lowest_dbm, at = self._worst(self._levels.asked.low, lowest=True)
        point = self._point(at, lowest=True)
        self._findings.hold(
            Check(
                self._plane(f"source {name}"), "level, lower", lowest_dbm, source.level_min_dbm, "dBm",
                in_bench(f"instruments.{name}.level_min"), point, is_lower=True,
            ),
            self._bottom,
            f"needs {lowest_dbm:.2f} dBm from {name} ({point}), and it cannot go so low",
        )  # fmt: skip

    def _device_input(self) -> None:
        chain, source = self._chain, self._chain.source
        uncertainty_db, _ = self._worst(self._in_loss.error.high)
        self._hold(
            self._plane("device input"), self._levels.device_input, self._limits.input_power_max_dbm,
            in_sequence("limits.input_power_max"), self._top,
            lambda worst, point: f"can be {worst} at the device ({point} asked; {chain.source_name} is up to "
            f"{source.level_accuracy_db:g} dB high and overshoots by {source.level_overshoot_db:g} dB, path "
            f"{chain.input_path.name} is known to {uncertainty_db:.2g} dB)",
            ask_less=True,
        )  # fmt: skip

    def _device_output(self) -> None:
        limits = self._limits
        linear_dbm, _ = self._worst(self._levels.device_input.high + limits.gain_max_db)
        saturates = linear_dbm > limits.saturated_power_max_dbm

        def say(worst: str, point: Point) -> str:
            if saturates:
                return f"{worst} can leave the device ({point}), which by this line is where it saturates"
            return f"{worst} can leave the device ({point}; gain up to {limits.gain_max_db:g} dB by limits.gain_max)"

        self._hold(
            self._plane("device output"), self._levels.device_output, limits.output_power_max_dbm,
            in_sequence("limits.output_power_max"), in_sequence("limits.saturated_power_max") if saturates else self._top, say,
            ask_less=not saturates,
        )  # fmt: skip

    def _ratings(self) -> None:
        """Both paths and the meter. What stands too little is the mistake; the message names what could spare it."""
        chain, levels = self._chain, self._levels
        out, meter = chain.output_path.name, f"instruments.{chain.meter_name}"
        leaves_dbm, _ = self._worst(levels.device_output.high)
        loss_db, _ = self._worst(self._out_loss.true.low, lowest=True)
        takes_off = f"path {out} takes off {loss_db:.2f} dB or more, {self._findings.cite(in_bench(f'paths.{out}.loss'))}"

        def arrives(worst: str, point: Point) -> str:
            return f"{worst} can arrive here ({point}; up to {leaves_dbm:.2f} dBm leave the device, {takes_off})"

        rows = [
            (f"path {chain.input_path.name}, at the source", levels.leaves_source, chain.input_power_max_dbm,
             f"paths.{chain.input_path.name}.power_max", _enters),
            (f"path {out}, at the device", levels.device_output, chain.output_power_max_dbm, f"paths.{out}.power_max", _enters),
            (f"power meter {chain.meter_name}", levels.at_meter, chain.meter.input_max_dbm, f"{meter}.input_max", arrives),
        ]  # fmt: skip
        if self._reads_meter:
            rows.append(
                (f"range of {chain.meter_name}", levels.at_meter, chain.meter.range_max_dbm, f"{meter}.range_max", arrives)
            )
        for plane, level, rating_dbm, key, say in rows:
            self._hold(self._plane(plane), level, rating_dbm, in_bench(key), in_bench(key), say)

    def _switch(self) -> None:
        """Where along a path it sits is not stated, so it must stand the most there is at either end."""
        chain, levels = self._chain, self._levels
        if chain.switch is None:
            return
        key = in_bench(f"instruments.{chain.switch_name}.power_max")
        for side, one, other in (
            ("input", levels.leaves_source, levels.device_input),
            ("output", levels.device_output, levels.at_meter),
        ):
            both = Interval.between(np.maximum(one.low, other.low), np.maximum(one.high, other.high))

            def passes(worst: str, point: Point, side: str = side) -> str:
                return f"{worst} can pass its contacts ({side} side; {point})"

            plane = self._plane(f"switch {chain.switch_name}, {side} side")
            self._hold(plane, both, chain.switch.power_max_dbm, key, key, passes)

    def _tap(self, tap: Tap) -> None:
        """It is connected, whether or not the plan reads it."""
        path, key = in_bench(f"paths.{tap.path.name}.power_max"), in_bench(f"instruments.{tap.name}.input_max")
        level = through(self._levels.device_output, self._stretch.loss(tap.path).true, tap.saturation_dbm)
        plane = self._plane(f"path {tap.path.name}, at the device")
        self._hold(plane, self._levels.device_output, tap.power_max_dbm, path, path, _enters)
        self._hold(
            self._plane(f"{tap.role} {tap.name}"), level, tap.input_max_dbm, key, key,
            lambda worst, point: f"{worst} can arrive here ({point}); it is connected even where the plan does not read it",
        )  # fmt: skip

    def _reach(self) -> SourceReach:
        needed_dbm, _ = self._worst(self._levels.asked.high)
        loss_db, _ = self._worst(self._in_loss.true.low, lowest=True)
        return SourceReach(self._chain, needed_dbm, loss_db)


def _listed(levels_dbm: Sequence[float]) -> str:
    return ", ".join(f"{level:g} dBm" for level in levels_dbm[:6]) + (" ..." if len(levels_dbm) > 6 else "")


def _enters(worst: str, point: Point) -> str:
    return f"{worst} can enter this path ({point})"
