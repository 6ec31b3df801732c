"""
One carrier read by spectrum analyser and power meter at one drive: what they differ by at the device's output, held against U.

A wrong path table, a wrong level or a loose cable shows in it. What both have in common cannot: the drive; the mismatch at the
device's output, which decides what the device gives out and not what becomes of it; and the path, where one table serves both.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from benchkit.measurements.grouping import condition_of, each_ladder
from benchkit.measurements.level_parts import LevelParts
from benchkit.measurements.spectrum_base import SpectrumLine
from benchkit.measurements.two_tone_results import noise_error_db
from benchkit.results.result import Parameter, Result, ResultCondition
from benchkit.results.uncertainty import Budget, Contribution

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    import pandas as pd

__all__ = ["LEVEL_AGREEMENT", "level_agreement"]

LEVEL_AGREEMENT = Parameter(
    "carrier_analyser_less_meter", "Carrier: spectrum analyser less power meter", "dB", "device output", about_bench=True
)
NOT_BOTH = "at no drive both power meter and spectrum analyser gave a level within their ranges"
COMMON = "mismatch at the device's output"
CONVENTION = "at the device's output, each by its own path; of the drive where it is largest for its uncertainty"
COLUMNS = ("drive_set_dbm", "output_dbm")

_Both = tuple[float, float, list[Contribution]]
"""Analyser less meter, drive, and what they may differ by. [dB, dBm]"""


def level_agreement(
    points: pd.DataFrame, lines_of: Callable[[int, float], Mapping[str, SpectrumLine]], carrier: str, title: str
) -> list[Result]:
    """
    One result for each condition and frequency; of repeats and drives the one that is furthest out.

    Args:
        points: Of one measurement, finished ladders: what the power meter read.
        lines_of: Lines of a ladder at a drive, by name; empty: none. [dBm]
        carrier: Name of the carrier's line; the others are its harmonics, which the meter reads along with it.
    """
    both: dict[ResultCondition, list[_Both]] = {}
    for rows in each_ladder(points):
        both.setdefault(condition_of(rows), []).extend(_of_ladder(rows, lines_of, carrier))
    return [_result(condition, found, title) for condition, found in both.items()]


def _of_ladder(
    rows: pd.DataFrame, lines_of: Callable[[int, float], Mapping[str, SpectrumLine]], carrier: str
) -> Iterator[_Both]:
    """At each drive at which both gave a level."""
    ladder, parts = int(rows["ladder"].to_numpy()[0]), LevelParts(rows, 0.0)
    for place, (drive_dbm, meter_dbm) in enumerate(zip(*(rows[name].tolist() for name in COLUMNS), strict=True)):
        lines = lines_of(ladder, drive_dbm)
        if carrier not in lines or not math.isfinite(lines[carrier].output_dbm - meter_dbm):
            continue
        is_one_path = _is_one_path(rows, place, lines[carrier])
        own = [*_of_meter(parts, place, is_one_path), *_of_analyser(lines, carrier, is_one_path)]
        yield lines[carrier].output_dbm - meter_dbm, drive_dbm, own


def _result(condition: ResultCondition, both: list[_Both], title: str) -> Result:
    if not both:
        return _absent(condition, title)
    # Furthest out for what it may be off by: in noise a meter may differ by more, and tell less.
    value, drive_dbm, contributions = max(both, key=lambda one: abs(one[0]) / Budget(one[2]).expanded)
    budget = Budget(contributions)
    is_within = abs(value) <= budget.expanded
    note = "" if is_within else (
        f"beyond its uncertainty, ± {budget.expanded:.2g} dB: a path's table, a level or a connection is wrong, and with it "
        "every level by that instrument"
    )  # fmt: skip
    return Result(
        LEVEL_AGREEMENT.name, value, LEVEL_AGREEMENT.unit, LEVEL_AGREEMENT.plane, condition,
        expanded_uncertainty=budget.expanded, convention=CONVENTION,
        found=f"at {drive_dbm:+.4g} dBm drive, of {len(both)} readings", measurement=title, budget=budget.contributions,
        note=note,
    )  # fmt: skip


def _absent(condition: ResultCondition, title: str) -> Result:
    return Result(
        LEVEL_AGREEMENT.name, math.nan, LEVEL_AGREEMENT.unit, LEVEL_AGREEMENT.plane, condition, reason=NOT_BOTH,
        uncertainty_reason="no value", convention=CONVENTION, measurement=title,
    )  # fmt: skip


def _of_meter(parts: LevelParts, place: int, is_one_path: bool) -> Iterator[Contribution]:
    own = [line for line in parts.output_lines if line.name != COMMON]
    if is_one_path:
        own = [line for line in own if line.name != "output path loss"]
    scatter_db, linearity_db, zero_db = parts.scatter_db, parts.meter_linearity_db, float(parts.zero_db[place])
    yield from (line for line in own if line.amount > 0)
    for name, u_db in (
        ("power meter linearity", linearity_db), ("power meter noise", scatter_db), ("power meter zero", zero_db),
    ):  # fmt: skip
        if u_db > 0:
            yield Contribution(name, u_db, distribution="normal" if "noise" in name else "rectangular")


def _of_analyser(lines: Mapping[str, SpectrumLine], carrier: str, is_one_path: bool) -> Iterator[Contribution]:
    read = lines[carrier]
    yield Contribution("spectrum analyser's level", read.u_analyser_db, distribution="rectangular")
    if not is_one_path:
        yield Contribution("path from the device to the analyser", read.u_path_db)
    if math.isfinite(read.noise_dbm):
        bias_db, scatter_db = noise_error_db(read.output_dbm - read.noise_dbm)
        yield Contribution("noise at the carrier", math.hypot(bias_db / math.sqrt(3.0), scatter_db))
    # The meter reads the sum; what its path lets through of a harmonic is not known.
    more = sum(
        10 ** ((one.output_dbm - read.output_dbm) / 10) for name, one in lines.items()
        if name != carrier and math.isfinite(one.output_dbm)
    )  # fmt: skip
    if more > 0:
        limit_db = 10 * math.log10(1 + more)
        yield Contribution("harmonics that the meter reads along", limit_db / math.sqrt(3.0), distribution="rectangular")


def _is_one_path(rows: pd.DataFrame, place: int, carrier: SpectrumLine) -> bool:
    """Whether one table serves both: then loss and its uncertainty are one to the last bit."""
    pairs = (("output_loss_db", carrier.loss_db), ("u_output_path_db", carrier.u_path_db))
    return all(name in rows and float(rows[name].to_numpy(dtype=float)[place]) == value for name, value in pairs)
