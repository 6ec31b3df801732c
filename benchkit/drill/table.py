"""Drills for a person: one line for each fault, then whatever failed, with the command that shows it again."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from benchkit.drill.all import Drilled
from benchkit.drill.one import Row

__all__ = ["drill_table"]

HEADS = ("fault", "drills", "stopped by", "safe within", "after it showed", "told: not verified", "ledger", "record")
ROW_HEADS = ("fault", "device", "points", "stopped by", "to safe", "ledger", "record")


def drill_table(drilled: Drilled, sequence: Path, bench: Path | None, seed: int, *, every: bool = False) -> str:
    """
    The whole table.

    Args:
        every: One line for each drill instead of one for each fault.
    """
    if every:
        lines = _grid([ROW_HEADS, *(_row(row) for row in drilled.rows)])
    else:
        names = dict.fromkeys(row.fault.partition("@")[0].partition(":")[0] for row in drilled.rows)
        lines = _grid([HEADS, *(_sum(name, [row for row in drilled.rows if _is(row, name)]) for name in names)])
    lines += [f"left out: {text}" for text in drilled.left_out]
    lines.append("")
    failed = drilled.failed
    if not failed:
        lines.append(f"{len(drilled.rows)} drills: every ledger is empty, every record opens with all its points")
        return "\n".join(lines)
    lines.append(f"{len(failed)} of {len(drilled.rows)} drills FAILED:")
    for row in failed:
        lines.append(f"  {row.fault} (device {row.state or 'unknown'}; {row.outcome}: {row.message})")
        lines += [f"    {failure}" for failure in row.failures]
        with_bench = "" if bench is None else f" --bench {bench}"
        lines.append(f"    again: benchkit rehearse {sequence}{with_bench} --seed {seed} --fault '{row.fault}'")
    return "\n".join(lines)


def _is(row: Row, name: str) -> bool:
    return row.fault.partition("@")[0].partition(":")[0] == name


def _sum(name: str, rows: Sequence[Row]) -> tuple[str, ...]:
    walls = Counter(row.caught_by or "did not come" for row in rows)
    times = [row.to_safe_s for row in rows if row.to_safe_s is not None]
    reactions = [row.reaction_s for row in rows if row.reaction_s is not None]
    records = Counter(row.record for row in rows)
    entries = sum(len(row.ledger) for row in rows)
    return (
        name,
        str(len(rows)),
        ", ".join(f"{wall} {count}" for wall, count in walls.most_common()),
        f"{max(times):.2f} s" if times else "-",
        f"{max(0.0, *reactions):.2f} s" if reactions else "-",
        str(sum(bool(row.not_safe) for row in rows) or "-"),
        "empty" if not entries else f"{entries} entries",
        ", ".join(f"{state} {count}" for state, count in records.most_common()),
    )


def _row(row: Row) -> tuple[str, ...]:
    return (
        row.fault,
        row.state or "-",
        str(row.point),
        row.caught_by or "did not come",
        "-" if row.to_safe_s is None else f"{row.to_safe_s:.3f} s",
        "empty" if not row.ledger else f"{len(row.ledger)} entries",
        row.record,
    )


def _grid(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = ["  ".join(text.ljust(width) for text, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return [lines[0], "-" * len(lines[0]), *lines[1:]]
