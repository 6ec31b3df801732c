"""What `check` prints: conditions, ladders, points, times, instruments, the highest level at each plane, the hazards."""

from __future__ import annotations

import math
from typing import Any

from benchkit.bench.load import Bench
from benchkit.cli.cautions import cautions
from benchkit.envelope import Envelope, needs
from benchkit.plan import estimate
from benchkit.sequence.load import Sequence

__all__ = ["duration", "overview", "print_overview"]

# Without a terminal nothing need be folded to fit one.
PLAIN_WIDTH = 160


def duration(seconds: float) -> str:
    """Hours and minutes as a person says them, e.g. 3 h 05 min. [s]"""
    if not math.isfinite(seconds):
        return "unknown"
    if seconds < 60:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def overview(sequence: Sequence, bench: Bench, envelope: Envelope) -> dict[str, Any]:
    """Everything `check` says, as plain data. Values carry their unit in their key."""
    plan = envelope.plan
    expected = estimate(plan, sequence.file, bench.file)
    return {
        "sequence": sequence.file.sequence,
        "bench": bench.file.bench,
        "part": sequence.file.device.part,
        "conditions": {
            "count": plan.condition_count,
            "temperatures_degc": [t for t in plan.temperatures_degc if t is not None],
            "channels": list(plan.channels),
            "supply_voltages_v": list(plan.supply_voltages_v),
        },
        "measurements": [
            {
                "kind": block.kind,
                "name": block.title,
                "ladders_per_condition": block.ladder_count(),
                "points_per_condition": block.point_count(),
                "frequencies_hz": block.frequency_span_hz(),
                "drive_dbm": block.drive_span_dbm(),
            }
            for block in plan.measurements
        ],
        "ladders": plan.ladder_count,
        "points": plan.point_count,
        "stages": [
            {"what": stage.what, "ladders": stage.ladders, "points": stage.points, "time_s": round(stage.time_s, 1)}
            for stage in expected.stages
        ],
        "time_s": round(expected.total_s, 1),
        "instruments": [
            {"name": need.instrument, "role": need.role, "purpose": need.purpose}
            for need in needs(plan, sequence.file, bench.file)
        ],
        "margins": [
            {
                "plane": margin.plane,
                "quantity": margin.quantity,
                "worst_case": margin.worst,
                "limit": margin.limit,
                "margin": margin.margin,
                "unit": margin.unit,
                "where": margin.where,
                "limit_from": margin.source,
            }
            for margin in envelope.margins
        ],
        "warnings": list(envelope.warnings),
        "cautions": cautions(sequence, bench),
    }


def print_overview(summary: dict[str, Any]) -> None:
    """The same for a person."""
    from rich.console import Console
    from rich.table import Table

    console = Console(highlight=False, soft_wrap=True)
    if not console.is_terminal:
        console.width = PLAIN_WIDTH
    conditions = summary["conditions"]
    console.print(f"[bold]{summary['sequence']}[/bold] on {summary['bench']}: part {summary['part']}")
    temperatures = ", ".join(f"{t:+g} °C" for t in conditions["temperatures_degc"]) or "not set"
    voltages = ", ".join(f"{v:g} V" for v in conditions["supply_voltages_v"])
    console.print(
        f"  conditions   {conditions['count']}: temperature {temperatures}; channel {', '.join(conditions['channels'])}; "
        f"supply {voltages}"
    )
    console.print(f"  ladders      {summary['ladders']}")
    console.print(f"  points       {summary['points']} at most")
    console.print(f"  time         about {duration(summary['time_s'])}")
    console.print()

    table = Table(title="Stages", title_justify="left", box=None, pad_edge=False)
    for name, justify in (("stage", "left"), ("ladders", "right"), ("points", "right"), ("time", "right")):
        table.add_column(name, justify=justify)  # type: ignore[arg-type]  # rich's Literal of str
    for stage in summary["stages"]:
        table.add_row(
            stage["what"],
            str(stage["ladders"] or ""),
            str(stage["points"] or ""),
            duration(stage["time_s"]),
        )
    console.print(table)
    console.print()

    table = Table(title="Instruments", title_justify="left", box=None, pad_edge=False)
    for name in ("name", "role", "used for"):
        table.add_column(name)
    for need in summary["instruments"]:
        table.add_row(need["name"], need["role"], need["purpose"])
    console.print(table)
    console.print()

    table = Table(title="Worst case at each plane", title_justify="left", box=None, pad_edge=False)
    for name, justify in (("plane", "left"), ("quantity", "left"), ("worst", "right"), ("limit", "right"),
                          ("margin", "right"), ("limit from", "left")):  # fmt: skip
        table.add_column(name, justify=justify)  # type: ignore[arg-type]  # rich's Literal of str
    for margin in summary["margins"]:
        unit = {"dB": "dBm", "K": "°C"}.get(margin["unit"], margin["unit"])
        table.add_row(
            margin["plane"],
            margin["quantity"],
            f"{margin['worst_case']:.4g} {unit}",
            f"{margin['limit']:.4g} {unit}",
            f"{margin['margin']:.3g} {margin['unit']}",
            margin["limit_from"],
        )
    console.print(table)
    for warning in summary["warnings"]:
        console.print(f"\n[bold]warning[/bold] {warning}")
    console.print("\n[bold]Cautions[/bold]")
    for caution in summary["cautions"]:
        console.print(f"  - {caution}")
