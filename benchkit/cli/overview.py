"""What `check` says, as plain data: conditions, ladders, points, times, instruments, margins, protections, hazards."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from benchkit.bench.load import Bench
from benchkit.cli.overview_text import duration, print_overview
from benchkit.envelope import Envelope, Margin, cautions, needs
from benchkit.plan import NO_PACE, Pace, estimate
from benchkit.sequence.load import Sequence

__all__ = ["duration", "overview", "print_overview"]


def overview(sequence: Sequence, bench: Bench, envelope: Envelope, pace: Pace = NO_PACE) -> dict[str, Any]:
    """Everything `check` says, as plain data. Values carry their unit in their key or beside them."""
    plan = envelope.plan
    expected = estimate(plan, sequence.file, bench.file, pace=pace)
    return {
        "sequence": sequence.file.sequence,
        "bench": bench.file.bench,
        "part": sequence.file.device.part,
        "files": {"sequence": str(sequence.path), "bench": str(bench.path)},
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
            {
                "what": stage.what,
                "ladders": stage.ladders,
                "points": stage.points,
                "time_s": round(stage.time_s, 1),
                "basis": stage.basis,
            }
            for stage in expected.stages
        ],
        "time_s": round(expected.total_s, 1),
        "time_from": list(pace.names),
        "instruments": [
            {"name": need.instrument, "role": need.role, "purpose": need.purpose}
            for need in needs(plan, sequence.file, bench.file)
        ],
        "margins": [_margin(margin) for margin in envelope.margins],
        "protections": [asdict(protection) for protection in envelope.protections],
        "order_of_operations": list(envelope.order),
        "not_proved": list(envelope.not_proved),
        "warnings": list(envelope.warnings),
        "cautions": cautions(sequence, bench),
    }


def _margin(margin: Margin) -> dict[str, Any]:
    return {
        "plane": margin.plane,
        "quantity": margin.quantity,
        "worst_case": margin.worst,
        "limit": margin.limit,
        "margin": margin.margin,
        "unit": margin.unit,
        "limit_unit": margin.limit_unit,
        "where": margin.where,
        "point": {key: value for key, value in asdict(margin.point).items() if value not in (None, "")},
        "limit_from": margin.source,
    }
