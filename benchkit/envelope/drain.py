"""The drains of every channel: voltage, current, heat."""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.bench.model import DrainPin, SupplyChannelRatings, SupplyPin, SupplySettings
from benchkit.envelope.dc import gate_voltage, heat_w, highest_setting_a, supplied_a, supplied_v, together
from benchkit.envelope.interval import Interval
from benchkit.envelope.margins import Check, Findings, Key, Point, in_bench, in_sequence, shown
from benchkit.envelope.protections import (
    OverVoltage,
    Protection,
    SupplyProtection,
    drain_protection,
    gate_protection,
    prove_over_voltage,
)
from benchkit.plan.plan import Plan
from benchkit.quantities import watts_from_dbm

__all__ = ["output_ratings", "prove_drains"]


def output_ratings(findings: Findings, pin: SupplyPin) -> SupplyChannelRatings:
    """What the output at a pin is rated for."""
    settings = findings.bench.file.instruments[pin.supply]
    assert isinstance(settings, SupplySettings), "load_bench checks roles"
    return settings.channels[pin.channel]


def prove_drains(plan: Plan, findings: Findings) -> list[Protection]:
    """Worst case: set value plus the supply's limit of error; returns what is set as protection."""
    sequence = findings.sequence.file
    if sequence.limits.dissipation_max_w is None:
        findings.leave_open("heat in the device: limits.dissipation_max is not stated")
    rows = []
    for channel in plan.channels:
        drains = _Drains(channel, findings)
        for stage in drains.stages:
            drains.prove_output(stage)
        drains.prove_current()
        if sequence.limits.dissipation_max_w is not None:
            drains.prove_heat(sequence.limits.dissipation_max_w, driven=any(block.needs for _, block in plan.asked()))
        rows += [row for stage in drains.stages for row in drains.protections(stage)]
    return rows


@dataclass(frozen=True)
class _Stage:
    """
    One drain.

    Attributes:
        at: The line that sets its voltage.
        volts: All that it may get. [V]
        amperes: All that its output may give. [A]
    """

    pin: DrainPin
    ratings: SupplyChannelRatings
    settings: SupplyProtection
    at: Key
    set_v: float
    volts: Interval
    amperes: Interval

    @property
    def output(self) -> str:
        return f"{self.pin.supply} output {self.pin.channel}"

    @property
    def key(self) -> str:
        return f"instruments.{self.pin.supply}.channels.{self.pin.channel}"


class _Drains:
    """All drains of one channel."""

    def __init__(self, channel: str, findings: Findings) -> None:
        self._channel, self._findings = channel, findings
        self._wiring = findings.bench.file.wiring.channels[channel]
        self._limits = findings.sequence.file.limits
        self.stages = [self._stage(index, pin) for index, pin in enumerate(self._wiring.drains)]
        self._volts = max(stage.set_v for stage in self.stages)
        self._amperes = together([stage.amperes for stage in self.stages])
        self._limited = Point(note="at the current limit", channel=channel, supply_voltage_v=self._volts)

    def _stage(self, index: int, pin: DrainPin) -> _Stage:
        sequence = self._findings.sequence.file
        ratings, settings = output_ratings(self._findings, pin), drain_protection(sequence, pin.share, pin.voltage_v)
        # The error grows with the voltage, so the highest setting is the worst there is.
        axis = sequence.conditions.supply_voltage_v
        set_v, at = axis.maximum, self._findings.end_of("conditions.supply_voltage", axis, highest=True)
        if pin.voltage_v is not None:
            place = f"[{index}]" if isinstance(self._wiring.drain_pins, tuple) else ""
            set_v, at = pin.voltage_v, in_bench(f"wiring.channels.{self._channel}.drain{place}.voltage")
        volts = supplied_v(set_v, ratings.voltage_accuracy)
        return _Stage(pin, ratings, settings, at, set_v, volts, supplied_a(settings.current_limit_a, ratings.current_accuracy))

    def prove_output(self, stage: _Stage) -> None:
        """The drain's voltage, and what its output is asked for."""
        findings, set_v, worst_v = self._findings, stage.set_v, stage.volts.highest
        point = Point(channel=self._channel, supply_voltage_v=set_v)
        supply = f"supply {stage.pin.supply}, channel {self._channel}"
        findings.hold(
            Check(
                f"drain pin, channel {self._channel}", "voltage", worst_v, self._limits.drain_voltage_max_v, "V",
                in_sequence("limits.drain_voltage_max"), point,
            ),
            stage.at,
            f"{shown(set_v, 'V')} at the drain can be {shown(worst_v, 'V')} ({stage.output} is up to "
            f"{shown(worst_v - set_v, 'V')} high)",
        )  # fmt: skip
        findings.hold(
            Check(supply, "voltage", set_v, stage.ratings.voltage_max_v, "V", in_bench(f"{stage.key}.voltage_max"), point),
            stage.at,
            f"{shown(set_v, 'V')} is more than {stage.output} gives",
        )
        if not stage.ratings.voltage_min_v <= 0:
            findings.refuse(
                in_bench(f"{stage.key}.voltage_min"),
                f"a drain is brought up from 0 V, and this output gives no less than {shown(stage.ratings.voltage_min_v, 'V')}",
            )
        set_a, rating_at = stage.settings.current_limit_a, in_bench(f"{stage.key}.current_max")
        findings.hold(
            Check(supply, "current", set_a, stage.ratings.current_max_a, "A", rating_at, self._limited),
            in_sequence("bias.drain_current_limit"),
            f"{shown(set_a, 'A')} is more than {stage.output} gives",
        )

    def prove_current(self) -> None:
        """The sum of the outputs' limits bounds what the channel draws, whatever its gates do."""
        set_a, worst_a = self._findings.sequence.file.bias.drain_current_limit_a, self._amperes.highest
        limit_a, outputs = self._limits.drain_current_max_a, " and ".join(stage.output for stage in self.stages)
        unshared = len(self.stages) > 1 and any(stage.pin.share_percent is None for stage in self.stages)
        advice = f"state a share for each drain ({self._findings.cite(in_bench(f'wiring.channels.{self._channel}.drain'))})"
        if not unshared:
            advice = self._advice(limit_a)
        self._findings.hold(
            Check(
                f"drain pin, channel {self._channel}", "current", worst_a, limit_a, "A", in_sequence("limits.drain_current_max"),
                self._limited,
            ),
            in_sequence("bias.drain_current_limit"),
            f"set to {shown(set_a, 'A')}{' each' if unshared else ''}, the limit of {outputs} may act at {shown(worst_a, 'A')} "
            "only, and up to there the drain may draw, whatever the gate does",
            advice,
        )  # fmt: skip

    def prove_heat(self, limit_w: float, *, driven: bool) -> None:
        sequence = self._findings.sequence.file
        gates = [output_ratings(self._findings, pin) for pin in self._wiring.gates]
        gate_v = [gate_voltage(sequence, ratings.voltage_accuracy) for ratings in gates]
        gate_a = [supplied_a(gate_protection(sequence).current_limit_a, ratings.current_accuracy) for ratings in gates]
        rf_in_w = float(watts_from_dbm(self._limits.input_power_max_dbm)) if driven else 0.0
        drains = heat_w([stage.volts for stage in self.stages], [stage.amperes for stage in self.stages])
        others = heat_w(gate_v, gate_a) + Interval.between(0.0, rf_in_w)
        heat = drains + others
        highest_v = max(stage.volts.highest for stage in self.stages)
        self._findings.hold(
            Check(
                f"drain pin, channel {self._channel}", "heat", heat.highest, limit_w, "W", in_sequence("limits.dissipation_max"),
                self._limited,
            ),
            in_sequence("bias.drain_current_limit"),
            f"{shown(highest_v, 'V')} times {shown(self._amperes.highest, 'A')}, where the supply's limit may act, and what gate "
            f"and RF bring in can heat the device with {shown(heat.highest, 'W')}",
            self._advice((limit_w - others.highest) / highest_v),
        )  # fmt: skip

    def _advice(self, limit_a: float) -> str:
        """What the current limit would have to be set to, for the drains together to stay at `limit_a`. [A]"""
        floors_a = sum(stage.ratings.current_accuracy.floor_a for stage in self.stages[1:])
        worst = max((stage.ratings.current_accuracy for stage in self.stages), key=lambda one: one.of_reading_percent)
        safe_ma = highest_setting_a(limit_a - floors_a, worst) * 1e3 // 1
        return f"set at most {safe_ma:g} mA" if safe_ma > 0 else ""

    def protections(self, stage: _Stage) -> list[Protection]:
        limits = self._limits
        limit_at = in_sequence("limits.drain_voltage_max") if stage.pin.voltage_v is None else stage.at
        over_voltage = OverVoltage(
            stage.pin.supply, stage.pin.channel, stage.ratings, "drain", stage.settings.over_voltage_v, stage.volts,
            Interval.between(-limits.drain_voltage_max_v, limits.drain_voltage_max_v), limit_at,
        )  # fmt: skip
        trip = "" if stage.ratings.without_over_current else " and trip"
        current = Protection(
            what=f"current limit{trip} of {stage.output}",
            setting=stage.settings.current_limit_a,
            unit="A",
            plan_reaches=None,
            guards=f"drain, {shown(limits.drain_current_max_a, 'A')}; acts by {shown(stage.amperes.highest, 'A')}",
            limit=limits.drain_current_max_a,
            limit_from=self._findings.source(in_sequence("limits.drain_current_max")),
            is_set=True,
        )
        return [prove_over_voltage(over_voltage, self._findings), current]
