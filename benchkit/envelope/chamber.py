"""Temperatures and their rate against the chamber's range and the device's limits."""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.bench.model import ChamberSettings
from benchkit.envelope.interval import Interval
from benchkit.envelope.margins import Check, Findings, Key, Point, in_bench, in_sequence, shown
from benchkit.envelope.protections import Protection
from benchkit.sequence.model import TemperatureSettings

__all__ = ["air_degc", "case_degc", "prove_temperatures"]


def air_degc(set_degc: float, accuracy_k: float, past_k: float) -> Interval:
    """
    All that the air may be, on the way to a set point and at it. [degC]

    Args:
        past_k: How far its thermometer may go past the set point: the chamber's overshoot, or what a soak accepts. [K]
    """
    return Interval.around(set_degc, accuracy_k + past_k)


def case_degc(air: Interval, rise_k: float) -> Interval:
    """The device's case: as the air when the device is off, above it by its own heat when it is on. [degC]"""
    return air + Interval.between(0.0, rise_k)


@dataclass(frozen=True)
class _Chamber:
    """A chamber whose ratings are all stated. [K]"""

    name: str
    settings: ChamberSettings
    overshoot_k: float
    case_rise_k: float
    past_k: float


def prove_temperatures(findings: Findings) -> list[Protection]:
    """Every set point and the idle temperature, the rate, and the limits that are set in the chamber."""
    wanted, name = findings.sequence.file.conditions.temperature, findings.bench.file.wiring.chamber
    if wanted is None or name is None:
        findings.leave_open("the device's temperature: the sequence sets none; where the case is read, each reading is judged")
        return []
    settings = findings.bench.file.instruments[name]
    assert isinstance(settings, ChamberSettings), "load_bench checks roles"
    _prove_ramp(name, settings, findings)
    for key, value, why in (
        ("overshoot", settings.overshoot_k, "how far its air goes past a set point, such as 1 K; if it never does, write 0 K"),
        ("case_rise", settings.case_rise_k, "how far the device's case can stand above the air by its own heat, such as 4 K"),
    ):
        if value is None:
            findings.refuse(in_bench(f"instruments.{name}.{key}"), f"missing; {why}")
    if settings.overshoot_k is None or settings.case_rise_k is None:
        return []
    past_k = max(settings.overshoot_k, wanted.soak.tolerance_k)
    chamber = _Chamber(name, settings, settings.overshoot_k, settings.case_rise_k, past_k)
    axis = wanted.values_degc
    # Nothing between two set points is worse than both.
    for highest in (True, False):
        at = findings.end_of("conditions.temperature.values", axis, highest=highest)
        _prove_set_point(chamber, axis.maximum if highest else axis.minimum, "", at, findings)
    _prove_set_point(chamber, wanted.idle_degc, "idle", in_sequence("conditions.temperature.idle"), findings)
    return _prove_limits(chamber, wanted, findings)


def _prove_ramp(name: str, settings: ChamberSettings, findings: Findings) -> None:
    ramp_max = findings.sequence.file.limits.temperature_ramp_max_k_per_min
    if ramp_max is None:
        findings.leave_open("the rate of temperature: limits.temperature_ramp_max is not stated")
        return
    ramp, limit_at = settings.ramp_k_per_min, in_sequence("limits.temperature_ramp_max")
    findings.hold(
        Check(f"chamber {name}", "rate", ramp, ramp_max, "K/min", limit_at, Point(note="every ramp")),
        in_bench(f"instruments.{name}.ramp"),
        f"the chamber is set to {ramp:g} K/min",
        f"write ramp: {ramp_max:g} K/min, or less",
    )


def _prove_set_point(chamber: _Chamber, set_degc: float, note: str, at: Key, findings: Findings) -> None:
    limits, settings, key = findings.sequence.file.limits, chamber.settings, f"instruments.{chamber.name}"
    air = air_degc(set_degc, settings.accuracy_k, chamber.past_k)
    case = case_degc(air, chamber.case_rise_k)
    point = Point(note=note, temperature_degc=set_degc)
    why = (
        f"chamber {chamber.name} errs by up to {settings.accuracy_k:g} K and goes {chamber.past_k:g} K past its set point; the "
        f"case stands up to {chamber.case_rise_k:g} K above its air"
    )
    for end, is_lower, worst_degc, limit_degc, rating_degc in (
        ("max", False, case.highest, limits.temperature_max_degc, settings.temperature_max_degc),
        ("min", True, case.lowest, limits.temperature_min_degc, settings.temperature_min_degc),
    ):
        side, limit_at = "lower" if is_lower else "upper", in_sequence(f"limits.temperature_{end}")
        findings.hold(
            Check("device case", f"temperature, {side}", worst_degc, limit_degc, "degC", limit_at, point, is_lower),
            at,
            f"at a set point of {set_degc:+g} °C the case can be {worst_degc:+.4g} °C ({why})",
        )
        rating_at = in_bench(f"{key}.temperature_{end}")
        findings.hold(
            Check(f"chamber {chamber.name}", f"set point, {side}", set_degc, rating_degc, "degC", rating_at, point, is_lower),
            at,
            f"{set_degc:+g} °C is outside the range of chamber {chamber.name}",
        )


def _prove_limits(chamber: _Chamber, wanted: TemperatureSettings, findings: Findings) -> list[Protection]:
    """The chamber's own limits are the device's, or its range's where that is narrower; the plan must not trip over them."""
    limits, settings = findings.sequence.file.limits, chamber.settings
    low_degc, high_degc = limits.temperature_min_degc, limits.temperature_max_degc
    set_points = (wanted.values_degc.minimum, wanted.values_degc.maximum, wanted.idle_degc)
    rows = []
    for side, setting, reaches, end in (
        ("low", max(low_degc, settings.temperature_min_degc), min(set_points) - chamber.overshoot_k, "min"),
        ("high", min(high_degc, settings.temperature_max_degc), max(set_points) + chamber.overshoot_k, "max"),
    ):
        if not (setting <= reaches if side == "low" else reaches <= setting):
            findings.refuse(
                findings.end_of("conditions.temperature.values", wanted.values_degc, highest=side == "high"),
                f"with an overshoot of {chamber.overshoot_k:g} K the air reaches {reaches:+.4g} °C, and there the chamber's own "
                f"{side} limit, {setting:+g} °C, stops it in mid-run "
                f"({findings.cite(in_bench(f'instruments.{chamber.name}.temperature_{end}'))}); stay further from it",
            )
        rows.append(
            Protection(
                what=f"{side} temperature limit of {chamber.name}",
                setting=setting,
                unit="degC",
                plan_reaches=reaches,
                guards=f"air, {shown(low_degc, 'degC')} to {shown(high_degc, 'degC')}",
                limit=low_degc if side == "low" else high_degc,
                limit_from=findings.source(in_sequence(f"limits.temperature_{end}")),
                is_set=not settings.without_temperature_limits,
            )
        )
    return rows
