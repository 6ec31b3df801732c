"""The source's own level limit as a wall: how far would it let the level go if everything before it failed?"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchkit.envelope.chain import Chain
from benchkit.envelope.interval import Interval
from benchkit.envelope.margins import TOLERANCE, Findings, in_sequence
from benchkit.envelope.protections import Protection
from benchkit.envelope.rf_levels import peak_of, through

__all__ = ["SourceReach", "level_limit_dbm", "prove_level_limits"]


@dataclass(frozen=True)
class SourceReach:
    """
    One channel in some ladders of one measurement.

    Attributes:
        needed_dbm: The highest that the plan asks of the source.
        loss_db: The least that the path to the device may take off.
    """

    chain: Chain
    needed_dbm: float
    loss_db: float


def level_limit_dbm(needed_dbm: float, level_min_dbm: float, level_max_dbm: float) -> float:
    """What is set as the source's limit: the highest level of the plan, rounded up to a hundredth. [dBm]"""
    return max(level_min_dbm, min(level_max_dbm, math.ceil(needed_dbm * 100 + 1e-6) / 100))


def prove_level_limits(reaches: Sequence[SourceReach], findings: Findings) -> list[Protection]:
    """
    What each source's limit would let through to the device, at every frequency of the plan.

    It is the tightest that lets the plan through, so that nothing can be asked of the files if it is not tight enough (a path so
    uneven that what one frequency needs is too much at another): then the plan holds without this wall, and that is said.
    """
    rows = []
    settings_dbm: dict[str, float] = {}
    limits = findings.sequence.file.limits
    for name in dict.fromkeys(reach.chain.source_name for reach in reaches):
        own = [reach for reach in reaches if reach.chain.source_name == name]
        source = own[0].chain.source
        needed_dbm = max(reach.needed_dbm for reach in own)
        setting_dbm = level_limit_dbm(needed_dbm, source.level_min_dbm, source.level_max_dbm)
        settings_dbm[name] = setting_dbm
        reached = [(_reaches_dbm(reach, setting_dbm), reach.chain.channel) for reach in own]
        worst_dbm, channel = max(reached)
        if not worst_dbm <= limits.input_power_max_dbm + TOLERANCE:
            findings.warn(
                f"{name}: its own level limit, {setting_dbm:.2f} dBm, would not keep it from bringing {worst_dbm:.2f} dBm to the "
                f"input of channel {channel} ({findings.source(in_sequence('limits.input_power_max'))}: "
                f"{limits.input_power_max_dbm:g} dBm); another part of the plan needs as much"
            )
        rows.append(
            Protection(
                what=f"level limit of {name}",
                setting=setting_dbm,
                unit="dBm",
                plan_reaches=needed_dbm,
                guards=f"input, {limits.input_power_max_dbm:g} dBm; lets {worst_dbm:.2f} dBm through",
                limit=limits.input_power_max_dbm,
                limit_from=findings.source(in_sequence("limits.input_power_max")),
                is_set=not source.without_level_limit,
            )
        )
    _prove_both(reaches, settings_dbm, findings)
    return rows


def _prove_both(reaches: Sequence[SourceReach], settings_dbm: Mapping[str, float], findings: Findings) -> None:
    """Two sources on a combiner, both at their limits at once: each limit may have been set for a tone alone."""
    limits, channels = findings.sequence.file.limits, findings.bench.file.wiring.channels
    for channel in dict.fromkeys(reach.chain.channel for reach in reaches):
        own = [reach for reach in reaches if reach.chain.channel == channel]
        names = channels[channel].input.source, channels[channel].input.second_source
        worst = [
            [_reaches_dbm(reach, settings_dbm[name]) for reach in own if reach.chain.source_name == name]
            for name in names
            if name is not None
        ]
        if len(worst) < 2 or not all(worst):
            continue
        peak_dbm = peak_of(Interval.exactly(max(worst[0])), Interval.exactly(max(worst[1]))).highest
        if not peak_dbm <= limits.input_power_max_dbm + TOLERANCE:
            findings.warn(
                f"{names[0]} and {names[1]}: their own level limits together would not keep them from a peak of "
                    f"{peak_dbm:.2f} dBm "
                f"at the input of channel {channel} ({findings.source(in_sequence('limits.input_power_max'))}: "
                f"{limits.input_power_max_dbm:g} dBm); another part of the plan needs as much of one of them alone"
            )


def _reaches_dbm(reach: SourceReach, setting_dbm: float) -> float:
    truths = reach.chain.truths
    level = Interval.exactly(setting_dbm) + truths.source_error
    return through(level, Interval.exactly(reach.loss_db), truths.input_saturation_dbm).highest
