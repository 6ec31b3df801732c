"""The source's own level limit as a wall: would it hold if everything before it failed?"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.envelope.margins import TOLERANCE, Findings, in_bench, in_sequence
from benchkit.envelope.protections import Protection

__all__ = ["SourceReach", "prove_level_limits"]


@dataclass(frozen=True)
class SourceReach:
    """
    One source on one channel in one measurement.

    Attributes:
        limit_dbm: What its level limit is set to.
        needed_dbm: The highest that the plan asks of it.
        reaches_dbm: The highest at the device's input with the source at its limit.
        excess_db: By how much the limit is too high for the device; negative when it is low enough.
    """

    source: str
    channel: str
    limit_dbm: float
    needed_dbm: float
    reaches_dbm: float
    excess_db: float


def prove_level_limits(reaches: Sequence[SourceReach], findings: Findings) -> list[Protection]:
    """
    The level limit that is set in each source, `level_max`, keeps the device within its limits at every frequency of the plan.

    Where it does not, but could, that is a mistake. Where it cannot (a path so uneven that what one frequency needs is too
    much at another) the plan still holds, and it is said that this wall is missing.
    """
    rows = []
    limits = findings.sequence.file.limits
    for name in dict.fromkeys(reach.source for reach in reaches):
        own = [reach for reach in reaches if reach.source == name]
        worst = max(own, key=lambda reach: reach.excess_db)
        needed_dbm = max(reach.needed_dbm for reach in own)
        if not worst.excess_db <= TOLERANCE:
            safe_dbm = math.floor((worst.limit_dbm - worst.excess_db) * 10 + 1e-6) / 10
            what = (
                f"the source's own limit is set to this {worst.limit_dbm:g} dBm, which could bring {worst.reaches_dbm:.2f} dBm "
                f"to the input of channel {worst.channel}: {worst.excess_db:.2f} dB too much for it "
                f"({findings.cite(in_sequence('limits.input_power_max'))}, limits.output_power_max)"
            )
            if needed_dbm <= safe_dbm:
                findings.refuse(
                    in_bench(f"instruments.{name}.level_max"),
                    f"{what}; write level_max: {safe_dbm:g} dBm, the plan needs {needed_dbm:.2f} dBm",
                )
            else:
                findings.warn(f"{name}: {what}; it cannot be lower, because another part of the plan needs {needed_dbm:.2f} dBm")
        rows.append(
            Protection(
                what=f"level limit of {name}",
                setting=worst.limit_dbm,
                unit="dBm",
                plan_reaches=needed_dbm,
                guards=f"input, {limits.input_power_max_dbm:g} dBm; lets {worst.reaches_dbm:.2f} dBm through",
                limit=limits.input_power_max_dbm,
                limit_from=findings.source(in_sequence("limits.input_power_max")),
                is_set=not getattr(findings.bench.file.instruments[name], "without_level_limit", False),
            )
        )
    return rows
