"""
What the engine sets in the instruments before anything is energised, and the proof that it can be set and guards the device.

One place for the values: benchkit.engine.protections sets what stands here, and tests hold what is sent against it.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.bench.model import SupplyChannelRatings
from benchkit.envelope.interval import Interval
from benchkit.envelope.margins import TOLERANCE, Findings, Key, in_bench, in_sequence, shown
from benchkit.sequence.model import SequenceFile

__all__ = ["OverVoltage", "Protection", "SupplyProtection", "drain_protection", "gate_protection", "prove_over_voltage"]

# A drain with a voltage of its own trips this far above it: beyond any supply's error and noise, below what the next higher
# standard supply voltage would be.
OWN_VOLTAGE_MARGIN = 1.1


@dataclass(frozen=True)
class SupplyProtection:
    """What is set in one output. An over-voltage protection is a magnitude. [A, V]"""

    current_limit_a: float
    over_voltage_v: float


def drain_protection(sequence: SequenceFile, share: float | None, own_voltage_v: float | None) -> SupplyProtection:
    """
    What is set in a drain's output.

    Args:
        share: Its part of the current limit; None: all of it. [1]
        own_voltage_v: A voltage of its own; None: the supply voltage of the condition. [V]
    """
    over_voltage_v = sequence.limits.drain_voltage_max_v
    if own_voltage_v is not None:
        over_voltage_v = min(over_voltage_v, OWN_VOLTAGE_MARGIN * own_voltage_v)
    return SupplyProtection(sequence.bias.drain_current_limit_a * (1.0 if share is None else share), over_voltage_v)


def gate_protection(sequence: SequenceFile) -> SupplyProtection:
    """The same for every gate."""
    limits = sequence.limits
    return SupplyProtection(
        limits.gate_current_max_a, max(abs(limits.gate_voltage_min_v), abs(limits.gate_voltage_max_v))
    )


@dataclass(frozen=True)
class Protection:
    """
    One wall in an instrument.

    Attributes:
        what: Which, e.g. "over-voltage of drain_supply output 1".
        setting: What it is set to, in `unit`.
        plan_reaches: The nearest that the plan itself comes to it, in `unit`; None: it depends on the device.
        guards: What it keeps the device from, in words.
        limit: The device's limit that it guards.
        limit_from: File and key of that limit.
        is_set: False: the bench file declares that the instrument has none.
    """

    what: str
    setting: float
    unit: str
    plan_reaches: float | None
    guards: str
    limit: float
    limit_from: str
    is_set: bool


@dataclass(frozen=True)
class OverVoltage:
    """
    One output's over-voltage protection.

    Attributes:
        pin: "drain" or "gate".
        setting_v: A magnitude. [V]
        commanded: All that the plan sets, with the supply's errors. [V]
        allowed: The device's limits at this pin. [V]
        limit_at: The line that the setting follows from.
    """

    supply: str
    output: int
    ratings: SupplyChannelRatings
    pin: str
    setting_v: float
    commanded: Interval
    allowed: Interval
    limit_at: Key

    @property
    def key(self) -> str:
        return f"instruments.{self.supply}.channels.{self.output}"

    @property
    def allowed_text(self) -> str:
        ends = [shown(float(end), "V") for end in (self.allowed.low, self.allowed.high)]
        return ends[1] if self.pin == "drain" else " to ".join(ends)


def prove_over_voltage(wall: OverVoltage, findings: Findings) -> Protection:
    """
    The setting is one that the output takes, the plan does not trip over it, and nothing the output can give on either side
    passes the device's limits.
    """
    if not wall.ratings.without_over_voltage:
        _prove_settable(wall, findings)
    # Where the setting is the device's limit itself, passing it is the plan's mistake, and told as such.
    if wall.setting_v + TOLERANCE < wall.commanded.magnitude() <= wall.allowed.magnitude():
        findings.refuse(
            wall.limit_at,
            f"up to {shown(wall.commanded.magnitude(), 'V')} at {wall.supply} output {wall.output}, with its errors, would trip "
            f"its over-voltage protection of {shown(wall.setting_v, 'V')}",
        )
    _prove_sides(wall, findings)
    return Protection(
        what=f"over-voltage of {wall.supply} output {wall.output}",
        setting=wall.setting_v,
        unit="V",
        plan_reaches=wall.commanded.magnitude(),
        guards=f"{wall.pin}, {wall.allowed_text}",
        limit=wall.setting_v,
        limit_from=findings.source(wall.limit_at),
        is_set=not wall.ratings.without_over_voltage,
    )


def _prove_settable(wall: OverVoltage, findings: Findings) -> None:
    setting_v = wall.setting_v
    for end, side, rating_v, sign, example_v in (
        ("over_voltage_min", "lowest", wall.ratings.over_voltage_min_v, -1, 1.0),
        ("over_voltage_max", "highest", wall.ratings.over_voltage_max_v, 1, 1.2 * setting_v),
    ):
        at = in_bench(f"{wall.key}.{end}")
        if rating_v is None:
            findings.refuse(
                at,
                f"missing; the {side} setting of this output's over-voltage protection, such as {example_v:.3g} V (see its "
                "manual); if it has none, write without_over_voltage: true",
            )
        elif sign * (setting_v - rating_v) > TOLERANCE:
            findings.refuse(
                at,
                f"this output's over-voltage protection is to be set to {shown(setting_v, 'V')} "
                f"({findings.cite(wall.limit_at)}), and the {side} it takes is {shown(rating_v, 'V')}; use another output, or "
                "write without_over_voltage: true and do without this wall",
            )


def _prove_sides(wall: OverVoltage, findings: Findings) -> None:
    """
    A magnitude guards both sides alike; where the device stands less on one, the output's own range must end there. Without a
    protection its software stand-in (roles.Supply.set_voltage) refuses by the same magnitude.
    """
    setting_v, ratings = wall.setting_v, wall.ratings
    for end, sign, output_v, limit_v in (
        ("voltage_max", 1, ratings.voltage_max_v, float(wall.allowed.high)),
        ("voltage_min", -1, -ratings.voltage_min_v, -float(wall.allowed.low)),
    ):
        if min(output_v, setting_v) > limit_v + TOLERANCE:
            allowed = shown(sign * limit_v, "V")
            findings.refuse(
                in_bench(f"{wall.key}.{end}"),
                f"this output can be asked for {shown(sign * output_v, 'V')}, and its over-voltage protection of "
                f"{shown(setting_v, 'V')} (a magnitude) would not stop it at the {wall.pin}'s {allowed} "
                f"({findings.cite(in_sequence(f'limits.{wall.pin}_{end}'))}); write {end}: {allowed}, then nothing can ask "
                "for more",
            )
