"""Temperatures against the chamber's range and the device's limits."""

from __future__ import annotations

from benchkit.bench.model import ChamberSettings
from benchkit.envelope.margins import Findings

__all__ = ["prove_temperatures"]


def prove_temperatures(findings: Findings) -> None:
    """Every set point, and the idle temperature, with the chamber's limit of error and the soak's tolerance."""
    sequence, bench = findings.sequence.file, findings.bench.file
    settings, name = sequence.conditions.temperature, bench.wiring.chamber
    if settings is None or name is None:
        return
    chamber = bench.instruments[name]
    assert isinstance(chamber, ChamberSettings), "load_bench checks roles"
    limits = sequence.limits
    slack_k = chamber.accuracy_k + settings.soak.tolerance_k
    points = [(f"conditions.temperature.values[{i}]", t) for i, t in enumerate(settings.values_degc)]
    points.append(("conditions.temperature.idle", settings.idle_degc))
    for key, temperature_degc in points:
        held = findings.not_above(
            "device case", "temperature, upper", temperature_degc + slack_k, limits.temperature_max_degc, "K",
            where=f"{temperature_degc:+g} °C", source=findings.sequence_source("limits.temperature_max"),
        ) and findings.not_below(
            "device case", "temperature, lower", temperature_degc - slack_k, limits.temperature_min_degc, "K",
            where=f"{temperature_degc:+g} °C", source=findings.sequence_source("limits.temperature_min"),
        )  # fmt: skip
        if not held:
            findings.in_sequence(
                key,
                f"{temperature_degc:+g} °C with the chamber's error and the soak's tolerance ({slack_k:g} K) leaves "
                f"limits.temperature_min to temperature_max ({limits.temperature_min_degc:+g} °C to "
                f"{limits.temperature_max_degc:+g} °C)",
            )
        inside = findings.not_above(
            f"chamber {name}", "set point, upper", temperature_degc, chamber.temperature_max_degc, "K",
            where=f"{temperature_degc:+g} °C", source=findings.bench_source(f"instruments.{name}.temperature_max"),
        ) and findings.not_below(
            f"chamber {name}", "set point, lower", temperature_degc, chamber.temperature_min_degc, "K",
            where=f"{temperature_degc:+g} °C", source=findings.bench_source(f"instruments.{name}.temperature_min"),
        )  # fmt: skip
        if not inside:
            findings.in_sequence(
                key,
                f"{temperature_degc:+g} °C is outside the chamber's range, {chamber.temperature_min_degc:+g} °C to "
                f"{chamber.temperature_max_degc:+g} °C ({findings.bench_source(f'instruments.{name}')})",
            )
