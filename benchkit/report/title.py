"""The title block: what was measured, on what, by whom, and how it ended."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.plan import make_plan
from benchkit.report.digits import clock_time, duration, whole
from benchkit.report.source import Source, lot_and_wafer

__all__ = ["Ending", "TitleBlock", "UnitLine", "ending_of", "incomplete_line", "simulated_line", "title_of"]

# How an outcome is said to someone who was not there.
ENDINGS = {
    "done": "Ended as planned.",
    "incomplete": "Ended as planned, but for what failed, was skipped or dropped.",
    "limit": "Stopped at a limit.",
    "bench": "Stopped because the bench failed.",
    "interrupted": "Interrupted by the operator or the computer.",
    "error": "Stopped by an error of the program.",
}


@dataclass(frozen=True)
class Ending:
    """`is_good`: nothing stopped it. `text`: one plain line."""

    is_good: bool
    text: str


@dataclass(frozen=True)
class UnitLine:
    """One record of the report."""

    label: str
    serial: str
    lot: str
    wafer: str
    sequence: str
    bench: str
    operator: str
    begun: str
    lasted: str
    measured: str
    ending: Ending
    is_simulated: bool | None


@dataclass(frozen=True)
class TitleBlock:
    part: str
    description: str
    technology: str
    channels: str
    units: tuple[UnitLine, ...]
    simulated: str


def title_of(sources: Sequence[Source]) -> TitleBlock:
    first = next((source for source in sources if source.sequence is not None), None)
    device = None if first is None or first.sequence is None else first.sequence.file.device
    technology = sources[0].text("technology")
    return TitleBlock(
        part=sources[0].text("part"),
        description="" if device is None else device.description,
        technology=f"{technology} mode" if technology in ("depletion", "enhancement") else technology,
        channels="" if device is None else ", ".join(device.channels),
        units=tuple(_unit(source) for source in sources),
        simulated=simulated_line(sources),
    )


def simulated_line(sources: Sequence[Source]) -> str:
    """The line that every page carries when any of it is simulated, or may be; "" when all is real."""
    simulated = [source for source in sources if source.is_simulated]
    unstated = [source for source in sources if source.is_simulated is None]
    if len(simulated) == len(sources):
        return "SIMULATED. A rehearsal on the simulated bench: no device was measured."
    parts = []
    if simulated:
        parts.append(f"PARTLY SIMULATED. No device was measured for {', '.join(one.label for one in simulated)}.")
    if unstated:
        parts.append(f"ORIGIN NOT STATED. Simulated or real is not told by {', '.join(one.label for one in unstated)}.")
    return " ".join(parts)


def _unit(source: Source) -> UnitLine:
    lot, wafer = lot_and_wafer(source.serial)
    lasted = source.ended_s - source.started_s
    return UnitLine(
        label=source.label,
        serial=source.serial,
        lot=lot,
        wafer=wafer,
        sequence=f"{source.text('sequence_name')} ({source.text('sequence_file')})",
        bench=f"{source.text('bench_name')} ({source.text('bench_file')})",
        operator=source.text("operator"),
        begun="not stated" if math.isnan(source.started_s) else clock_time(source.started_s),
        lasted="not stated" if math.isnan(lasted) else duration(lasted),
        measured=_measured(source),
        ending=ending_of(source),
        is_simulated=source.is_simulated,
    )


def _measured(source: Source) -> str:
    planned = source.attributes.get("planned_points")
    ladders = source.streams.ladders
    count = len(source.streams.points)
    parts = [f"{whole(count)} points"]
    if planned is not None:
        parts = [f"all {whole(count)} points"] if count == int(planned) else [*parts, f"of at most {whole(int(planned))}"]
    counts = {
        status: int((ladders["status"] == status).sum())
        for status in ("complete", "stopped", "torn", "failed", "skipped", "dropped")
    }
    told = [
        f"{whole(counts['complete'])} ladders to their end" if counts["complete"] else "",
        f"{whole(counts['stopped'])} ended early on purpose" if counts["stopped"] else "",
        f"{whole(counts['torn'])} torn and not used" if counts["torn"] else "",
        *(f"{whole(counts[status])} {status}" for status in ("failed", "skipped", "dropped") if counts[status]),
    ]
    return " ".join(parts) + "; " + ", ".join(filter(None, told)) if any(told) else " ".join(parts)


def ending_of(source: Source) -> Ending:
    """How the run ended, in one line."""
    if not source.is_sealed:
        return Ending(
            False,
            "Not ended: the record is not sealed. The run still goes on, or was killed; what follows holds what was "
            "acknowledged until now.",
        )
    known = ENDINGS.get(source.outcome, f"Ended: {source.outcome}.")
    safe = [str(text) for kind, text in zip(source.streams.events["kind"], source.streams.events["text"], strict=True)
            if kind == "made safe"]  # fmt: skip
    if source.outcome != "done" and source.message:
        known = f"{known.rstrip('.')}: {source.message.rstrip('.')}."
    closing = f" {safe[-1][0].upper()}{safe[-1][1:].rstrip('.')}." if safe and safe[-1] else ""
    return Ending(source.outcome == "done", known + closing)


def incomplete_line(source: Source, *, several: bool) -> str:
    """What a reader must know before trusting the verdicts: that part of the plan is missing; "" when none is."""
    if source.sequence is None:
        return ""
    planned = make_plan(source.sequence.file).ladder_count
    ladders = source.streams.ladders
    finished = ladders.loc[ladders["status"].isin(("complete", "stopped")), "ladder"].nunique()
    if finished >= planned:
        return ""
    who = f"{source.label}: only" if several else "Only"
    return (
        f"{who} {whole(finished)} of {whole(planned)} ladders planned were finished. Every number and verdict here "
        "speaks of these alone; what was planned and not measured may differ."
    )
