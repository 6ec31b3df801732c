"""What `check` says, as plain data: conditions, ladders, points, times, instruments, margins, protections, hazards."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from benchkit.bench.load import Bench
from benchkit.cli.overview_text import duration, print_overview
from benchkit.clock import WallClock
from benchkit.envelope import Envelope, Margin, cautions, needs
from benchkit.plan import NO_PACE, Pace, Plan, estimate
from benchkit.plan.budget import TimeBudget
from benchkit.sequence.deadline import deadline_s
from benchkit.sequence.load import Sequence

__all__ = ["duration", "overview", "print_overview"]


def overview(
    sequence: Sequence, bench: Bench, envelope: Envelope, pace: Pace = NO_PACE, be_done_by: str = ""
) -> dict[str, Any]:
    """
    Everything `check` says, as plain data. Values carry their unit in their key or beside them.

    Args:
        be_done_by: Instead of the sequence's own; "": that one. Counted from now.
    """
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
        "time_budget": _time_budget(sequence, bench, plan, pace, be_done_by),
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


def _time_budget(sequence: Sequence, bench: Bench, plan: Plan, pace: Pace, be_done_by: str) -> dict[str, Any] | None:
    """What would be dropped if the run began now; None: it may take as long as it takes."""
    text = be_done_by or sequence.file.conditions.be_done_by
    if not text:
        return None
    now_s = WallClock().now()
    budget = TimeBudget(plan, sequence.file, bench.file, pace=pace)
    units = budget.all_units()
    fit = budget.fit(units, deadline_s(text, now_s) - now_s)
    return {
        "be_done_by": text,
        "time_s": round(deadline_s(text, now_s) - now_s, 1),
        "needed_s": round(fit.needed_s, 1),
        "kept_s": round(fit.kept_s, 1),
        "dropped": [
            {
                "condition": str(budget.condition(unit)),
                "measurement": plan.measurements[unit[1]].title,
                "priority": plan.measurements[unit[1]].priority,
                "ladders": units[unit],
            }
            for unit in fit.dropped
        ],
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
