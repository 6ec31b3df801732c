"""What single readings, connections and mismatches add to the budget of a path: the lines that its equations share. Pure."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from benchkit.results.matching import MismatchConvention, gamma_from_return_loss, mismatch
from benchkit.results.uncertainty import Contribution, standard_from_expanded, standard_from_rectangular

__all__ = [
    "PowerAccuracy", "adapter_loss", "connected", "each_reading", "half_step", "mismatched", "same_meter", "twice_within",
    "within",
]  # fmt: skip

SQRT2 = math.sqrt(2.0)


@dataclass(frozen=True)
class PowerAccuracy:
    """
    As a bench file states it; None: not stated. Limits of error, but for `noise`.

    Attributes:
        source_db: Of the source's level. [dB]
        source_linearity_db, meter_linearity_db: Of a difference of two levels at one frequency. [dB]
        source_resolution_db, meter_resolution_db: Steps. [dB]
        meter_db: Of one level well above the zero, without mismatch. [dB]
        zero_dbm: Of the meter's zero, a power as a level. [dBm]
        noise_db: Standard deviation of one reading. [dB]
        input_return_loss_db, output_return_loss_db: From the device's planes into the paths. [dB]
        convention: What is known of these two.
    """

    source_db: float
    meter_db: float
    source_linearity_db: float | None = None
    source_resolution_db: float | None = None
    meter_linearity_db: float | None = None
    meter_resolution_db: float | None = None
    zero_dbm: float | None = None
    noise_db: float | None = None
    input_return_loss_db: float | None = None
    output_return_loss_db: float | None = None
    convention: MismatchConvention = "largest magnitudes"


def within(name: str, limit_db: float) -> Contribution:
    """What is anywhere within a limit of error, equally likely. [dB]"""
    return Contribution(name, standard_from_rectangular(limit_db), distribution="rectangular")


def twice_within(name: str, limit_db: float) -> Contribution:
    """The difference of two such. [dB]"""
    return Contribution(name, SQRT2 * standard_from_rectangular(limit_db), distribution="triangular")


def each_reading(accuracy: PowerAccuracy, read_dbm: float, where: str) -> Iterator[Contribution]:
    """What a reading has of its own: a zero is a power, and small beside a large one; half a step either way."""
    if accuracy.zero_dbm is not None:
        zero_db = 10.0 / math.log(10.0) * math.pow(10.0, (accuracy.zero_dbm - read_dbm) / 10.0)
        yield within(f"power meter's zero, {where}", zero_db)
    yield from half_step(f"power meter's resolution, {where}", accuracy.meter_resolution_db)


def half_step(name: str, step_db: float | None) -> Iterator[Contribution]:
    if step_db is not None:
        yield within(name, step_db / 2)


def same_meter(accuracy: PowerAccuracy) -> Contribution:
    """Two readings of one meter at one frequency. Without a stated linearity nothing says what cancels, so nothing does."""
    if accuracy.meter_linearity_db is not None:
        return within("power meter's linearity", accuracy.meter_linearity_db)
    return twice_within("power meter's accuracy, twice (its linearity is not stated)", accuracy.meter_db)


def mismatched(
    name: str, one_db: float | None, other_db: float | None, convention: MismatchConvention
) -> Iterator[Contribution]:
    if one_db is not None and other_db is not None:
        one, other = (float(gamma_from_return_loss(value)) for value in (one_db, other_db))
        yield Contribution(name, mismatch(one, other, convention).standard_uncertainty_db)


def adapter_loss(expanded_db: float) -> Iterator[Contribution]:
    if expanded_db > 0:
        yield Contribution("adapter's loss", standard_from_expanded(expanded_db))


def connected(connector_db: float | None, times: int) -> Iterator[Contribution]:
    if connector_db is not None:
        yield Contribution(f"connecting, {times} x", math.sqrt(times) * standard_from_rectangular(connector_db))
