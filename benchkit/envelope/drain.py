"""The drain of every channel: voltage, current, heat."""

from __future__ import annotations

from benchkit.bench.model import SupplyChannelRatings, SupplySettings
from benchkit.envelope.dc import gate_voltage, heat_w, highest_setting_a, supplied_a, supplied_v
from benchkit.envelope.interval import Interval
from benchkit.envelope.margins import Check, Findings, Point, in_bench, in_sequence, shown
from benchkit.envelope.protections import OverVoltage, Protection, prove_over_voltage, supply_protections
from benchkit.plan.plan import Plan
from benchkit.quantities import watts_from_dbm

__all__ = ["output_ratings", "prove_drains"]


def output_ratings(findings: Findings, supply: str, output: int) -> SupplyChannelRatings:
    """What one output of a supply is rated for."""
    settings = findings.bench.file.instruments[supply]
    assert isinstance(settings, SupplySettings), "load_bench checks roles"
    return settings.channels[output]


def prove_drains(plan: Plan, findings: Findings) -> list[Protection]:
    """Worst case: set value plus the supply's limit of error; returns what is set as protection."""
    sequence = findings.sequence.file
    if not sequence.conditions.supply_voltage_v.minimum > 0:
        at = findings.end_of("conditions.supply_voltage", sequence.conditions.supply_voltage_v, highest=False)
        findings.refuse(at, f"{sequence.conditions.supply_voltage_v.minimum:g} V: a drain voltage is above 0 V")
    if sequence.limits.dissipation_max_w is None:
        findings.leave_open("heat in the device: limits.dissipation_max is not stated")
    rows = []
    for channel in plan.channels:
        drain = _Drain(channel, findings)
        drain.prove_voltage()
        drain.prove_current()
        if sequence.limits.dissipation_max_w is not None:
            drain.prove_heat(sequence.limits.dissipation_max_w, driven=any(block.needs_drive for block in plan.measurements))
        rows += drain.protections()
    return rows


class _Drain:
    def __init__(self, channel: str, findings: Findings) -> None:
        sequence, self._wiring = findings.sequence.file, findings.bench.file.wiring.channels[channel]
        self._channel, self._findings = channel, findings
        self._limits = sequence.limits
        self._settings = supply_protections(sequence)
        pin = self._wiring.drain
        self._ratings = output_ratings(findings, pin.supply, pin.channel)
        self._key = f"instruments.{pin.supply}.channels.{pin.channel}"
        self._supply = f"supply {pin.supply}, channel {channel}"
        self._output = f"{pin.supply} output {pin.channel}"
        # The error grows with the voltage, so the highest setting is the worst there is.
        self._set_v = sequence.conditions.supply_voltage_v.maximum
        self._volts = supplied_v(self._set_v, self._ratings.voltage_accuracy)
        self._amperes = supplied_a(self._settings.drain_current_limit_a, self._ratings.current_accuracy)
        self._limited = Point(note="at the current limit", channel=channel, supply_voltage_v=self._set_v)

    def prove_voltage(self) -> None:
        findings, set_v, worst_v = self._findings, self._set_v, self._volts.highest
        point = Point(channel=self._channel, supply_voltage_v=set_v)
        at = findings.end_of("conditions.supply_voltage", findings.sequence.file.conditions.supply_voltage_v, highest=True)
        findings.hold(
            Check(
                f"drain pin, channel {self._channel}", "voltage", worst_v, self._limits.drain_voltage_max_v, "V",
                in_sequence("limits.drain_voltage_max"), point,
            ),
            at,
            f"{shown(set_v, 'V')} at the drain can be {shown(worst_v, 'V')} ({self._output} is up to "
            f"{shown(worst_v - set_v, 'V')} high)",
        )  # fmt: skip
        findings.hold(
            Check(
                self._supply, "voltage", set_v, self._ratings.voltage_max_v, "V",
                in_bench(f"{self._key}.voltage_max"), point,
            ),
            at,
            f"{shown(set_v, 'V')} is more than {self._output} gives",
        )  # fmt: skip
        if not self._ratings.voltage_min_v <= 0:
            findings.refuse(
                in_bench(f"{self._key}.voltage_min"),
                f"a drain is brought up from 0 V, and this output gives no less than {shown(self._ratings.voltage_min_v, 'V')}",
            )

    def prove_current(self) -> None:
        set_a, worst_a = self._settings.drain_current_limit_a, self._amperes.highest
        at = in_sequence("bias.drain_current_limit")
        safe_ma = highest_setting_a(self._limits.drain_current_max_a, self._ratings.current_accuracy) * 1e3 // 1
        self._findings.hold(
            Check(
                f"drain pin, channel {self._channel}", "current", worst_a, self._limits.drain_current_max_a, "A",
                in_sequence("limits.drain_current_max"), self._limited,
            ),
            at,
            f"set to {shown(set_a, 'A')}, the limit of {self._output} may act at {shown(worst_a, 'A')} only, and up to there the "
            "drain may draw, whatever the gate does",
            f"set at most {safe_ma:g} mA",
        )  # fmt: skip
        self._findings.hold(
            Check(
                self._supply, "current", set_a, self._ratings.current_max_a, "A",
                in_bench(f"{self._key}.current_max"), self._limited,
            ),
            at,
            f"{shown(set_a, 'A')} is more than {self._output} gives",
        )  # fmt: skip

    def prove_heat(self, limit_w: float, *, driven: bool) -> None:
        sequence, gate = self._findings.sequence.file, self._wiring.gate
        ratings = output_ratings(self._findings, gate.supply, gate.channel)
        rf_in_w = float(watts_from_dbm(self._limits.input_power_max_dbm)) if driven else 0.0
        heat = heat_w(
            self._volts, self._amperes, gate_voltage(sequence, ratings.voltage_accuracy),
            supplied_a(self._settings.gate_current_limit_a, ratings.current_accuracy), rf_in_w,
        )  # fmt: skip
        safe_ma = (limit_w - (heat.highest - self._volts.highest * self._amperes.highest)) / self._volts.highest
        safe_ma = highest_setting_a(safe_ma, self._ratings.current_accuracy) * 1e3 // 1
        self._findings.hold(
            Check(
                f"drain pin, channel {self._channel}", "heat", heat.highest, limit_w, "W", in_sequence("limits.dissipation_max"),
                self._limited,
            ),
            in_sequence("bias.drain_current_limit"),
            f"{shown(self._volts.highest, 'V')} times {shown(self._amperes.highest, 'A')}, where the limit of {self._output} may "
            f"act, and what gate and RF bring in can heat the device with {shown(heat.highest, 'W')}",
            f"set at most {safe_ma:g} mA" if safe_ma > 0 else "",
        )  # fmt: skip

    def protections(self) -> list[Protection]:
        pin, limits = self._wiring.drain, self._limits
        limit_at = in_sequence("limits.drain_voltage_max")
        over_voltage = OverVoltage(
            pin.supply, pin.channel, self._ratings, "drain", self._settings.drain_over_voltage_v, self._volts,
            Interval.between(-limits.drain_voltage_max_v, limits.drain_voltage_max_v), limit_at,
        )  # fmt: skip
        trip = "" if self._ratings.without_over_current else " and trip"
        current = Protection(
            what=f"current limit{trip} of {self._output}",
            setting=self._settings.drain_current_limit_a,
            unit="A",
            plan_reaches=None,
            guards=f"drain, {shown(limits.drain_current_max_a, 'A')}; acts by {shown(self._amperes.highest, 'A')}",
            limit=limits.drain_current_max_a,
            limit_from=self._findings.source(in_sequence("limits.drain_current_max")),
            is_set=True,
        )
        return [prove_over_voltage(over_voltage, self._findings), current]
