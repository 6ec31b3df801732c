"""What supplies may give, and what becomes of it in the device. Pure arithmetic, no files."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce

from benchkit.bench.model import AmpereAccuracy, VoltAccuracy
from benchkit.envelope.interval import Interval
from benchkit.sequence.model import SequenceFile

__all__ = ["gate_voltage", "heat_w", "highest_setting_a", "supplied_a", "supplied_v", "together"]


def supplied_v(setting_v: float, accuracy: VoltAccuracy) -> Interval:
    """All that an output set to `setting_v` may give. [V]"""
    return Interval.around(setting_v, abs(setting_v) * accuracy.of_reading_percent / 100 + accuracy.floor_v)


def supplied_a(limit_a: float, accuracy: AmpereAccuracy) -> Interval:
    """All that an output limited to `limit_a` may give, either way, up to where its limit may act. [A]"""
    return Interval.around(0.0, limit_a * (1 + accuracy.of_reading_percent / 100) + accuracy.floor_a)


def highest_setting_a(limit_a: float, accuracy: AmpereAccuracy) -> float:
    """The highest current limit that acts at `limit_a` or below. [A]"""
    return max(0.0, (limit_a - accuracy.floor_a) / (1 + accuracy.of_reading_percent / 100))


def gate_voltage(sequence: SequenceFile, accuracy: VoltAccuracy) -> Interval:
    """All that the gate may see: from pinch-off to the far end of the trim. [V]"""
    low, high = supplied_v(sequence.bias.pinch_off_v, accuracy), supplied_v(sequence.bias.gate_to_v, accuracy)
    return Interval.between(low.low, high.high)


def heat_w(volts: Sequence[Interval], amperes: Sequence[Interval]) -> Interval:
    """What some pins may bring into the device as heat: all that goes in, nothing of it let out again as RF. [V, A] -> [W]"""
    return together([one_v * one_a for one_v, one_a in zip(volts, amperes, strict=True)])


def together(parts: Sequence[Interval]) -> Interval:
    """The sum of independent quantities."""
    return reduce(Interval.__add__, parts)
