"""The same for a person: readable in a terminal 100 columns wide, and in a file."""

from __future__ import annotations

import math
from typing import Any

from benchkit.quantities import format_quantity

__all__ = ["duration", "print_overview"]

PLAIN_WIDTH = 100
# Margins of one unit can be compared with each other; these are the order of the units.
UNITS = ("dB", "V", "A", "W", "K", "K/min")


def duration(seconds: float) -> str:
    """Hours and minutes as a person says them, e.g. 3 h 05 min. [s]"""
    if not math.isfinite(seconds):
        return "unknown"
    if seconds < 60:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"


def print_overview(summary: dict[str, Any]) -> None:
    """Print what overview() gives."""
    from rich.console import Console

    console = Console(highlight=False)
    if not console.is_terminal:
        console.width = PLAIN_WIDTH
    conditions = summary["conditions"]
    console.print(f"[bold]{_plain(summary['sequence'])}[/bold] on {_plain(summary['bench'])}: part {_plain(summary['part'])}")
    temperatures = ", ".join(f"{t:+g} °C" for t in conditions["temperatures_degc"]) or "not set"
    voltages = ", ".join(f"{v:g} V" for v in conditions["supply_voltages_v"])
    console.print(
        f"  conditions   {conditions['count']}: temperature {temperatures}; channel {', '.join(conditions['channels'])}; "
        f"supply {voltages}"
    )
    console.print(f"  ladders      {summary['ladders']}")
    console.print(f"  points       {summary['points']} at most")
    refined = len(summary["time_from"])
    basis = f", refined from {refined} earlier record{'s' if refined > 1 else ''}" if refined else ""
    console.print(f"  time         about {duration(summary['time_s'])}{basis}")
    _print_budget(console, summary["time_budget"])
    _table(
        console, "Stages", [("stage", False), ("ladders", True), ("points", True), ("time", True)],
        [
            (stage["what"], str(stage["ladders"] or ""), str(stage["points"] or ""), duration(stage["time_s"]))
            for stage in summary["stages"]
        ],
    )  # fmt: skip
    _table(
        console, "Instruments", [("name", False), ("role", False), ("used for", False)],
        [(need["name"], need["role"], need["purpose"]) for need in summary["instruments"]],
    )  # fmt: skip
    _table(
        console, "Worst case at each plane, smallest margin first",
        [("margin", True), ("plane", False), ("ch.", False), ("worst case", True), ("limit", True), ("smallest at", False)],
        _margin_rows(summary["margins"]),
        note="No command of this plan can pass any of these limits, with every stated error and uncertainty at its worst,\n"
        "but for what stands under Not proved.\n"
        "--json names the file and key of each limit.",
    )  # fmt: skip
    _table(
        console, "Set in the instruments and read back first",
        [("protection", False), ("set to", True), ("plan reaches", True), ("guards", False)],
        [_protection_row(row) for row in summary["protections"]],
    )  # fmt: skip
    for title, key in (
        ("Order of operations", "order_of_operations"),
        ("Not proved", "not_proved"),
        ("Warnings", "warnings"),
        ("Cautions", "cautions"),
    ):
        _bullets(console, title, summary[key])


def _print_budget(console: Any, budget: dict[str, Any] | None) -> None:
    """What fits when the run is to be done by a time, and what would be dropped if it began now."""
    if budget is None:
        console.print()
        return
    needed = f"{duration(budget['needed_s'])} needed, back to idle included; {duration(budget['time_s'])} if it began now"
    console.print(f"  be done by   {_plain(budget['be_done_by'])}: {needed}\n")
    dropped = budget["dropped"]
    if dropped:
        _table(
            console, "Would be dropped, in this order", [("condition", False), ("measurement", False), ("priority", True),
                                                         ("ladders", True)],
            [(row["condition"], row["measurement"], str(row["priority"]), str(row["ladders"])) for row in dropped],
            note=f"What is kept takes {duration(budget['kept_s'])}.",
        )  # fmt: skip


def _margin_rows(margins: list[dict[str, Any]]) -> list[tuple[str, ...]]:
    """Smallest margin of each unit first; channels that agree in everything shown share a row."""
    rows: dict[tuple[str, ...], list[str]] = {}
    last_unit = None
    for margin in sorted(margins, key=lambda margin: (UNITS.index(margin["unit"]), margin["margin"])):
        channel = margin["point"].get("channel", "")
        plane = margin["plane"].removesuffix(f", channel {channel}")
        if margin["quantity"] != "level":
            plane += f": {margin['quantity']}"
        cells = (
            _value(margin["margin"], margin["unit"], digits=3),
            plane,
            _value(margin["worst_case"], margin["limit_unit"]),
            _value(margin["limit"], margin["limit_unit"]),
            margin["where"],
        )
        if last_unit not in (None, margin["unit"]):
            rows[("", margin["unit"], "", "", "")] = []
        last_unit = margin["unit"]
        rows.setdefault(cells, []).append(channel)
    return [
        ("", "", "", "", "", "") if not cells[0] else (*cells[:2], " ".join(dict.fromkeys(channels)), *cells[2:])
        for cells, channels in rows.items()
    ]


def _protection_row(row: dict[str, Any]) -> tuple[str, ...]:
    if not row["is_set"]:
        return row["what"], "none", "", f"{row['guards']}: not guarded"
    reaches = "" if row["plan_reaches"] is None else _value(row["plan_reaches"], row["unit"])
    return row["what"], _value(row["setting"], row["unit"]), reaches, row["guards"]


def _value(value: float, unit: str, digits: int = 4) -> str:
    if unit in ("dBm", "dB"):
        return f"{value:.2f} {unit}"
    if unit == "degC":
        return f"{value:+.4g} °C"
    return format_quantity(value, unit, digits)


def _table(console: Any, title: str, columns: list[tuple[str, bool]], rows: list[tuple[str, ...]], note: str = "") -> None:
    from rich.table import Table

    table = Table(title=title, title_justify="left", box=None, pad_edge=False, title_style="bold")
    for name, is_number in columns:
        table.add_column(name, justify="right" if is_number else "left", no_wrap=is_number)
    for row in rows:
        table.add_row(*map(_plain, row))
    console.print(table)
    if note:
        console.print(note)
    console.print()


def _bullets(console: Any, title: str, lines: list[str]) -> None:
    from rich.table import Table

    if not lines:
        return
    console.print(f"[bold]{title}[/bold]")
    table = Table(box=None, show_header=False, pad_edge=False)
    for line in lines:
        table.add_row(" -", _plain(line))
    console.print(table)
    console.print()


def _plain(text: str) -> str:
    """Names from files are text, never markup."""
    from rich.markup import escape

    return escape(text)
