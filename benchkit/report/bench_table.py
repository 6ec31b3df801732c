"""The instruments: who they are, when they were calibrated, what they were for, and which protections they lack."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime

from benchkit.report.source import Source

__all__ = ["InstrumentRow", "instruments_of", "missing_protections"]

DAYS_OF_A_YEAR = 365


@dataclass(frozen=True)
class InstrumentRow:
    """`remark`: what a reader must know of the calibration date; "" when nothing."""

    records: str
    name: str
    role: str
    maker: str
    model: str
    serial: str
    firmware: str
    options: str
    calibrated: str
    remark: str
    driver: str
    address: str


def instruments_of(sources: Sequence[Source]) -> list[InstrumentRow]:
    """Every instrument of every record; alike ones once, with the records that used them."""
    rows: dict[tuple[str, ...], list[str]] = {}
    for source in sources:
        for row in source.instruments:
            told = tuple(
                row.get(key, "") for key in ("name", "role", "maker", "model", "serial", "firmware", "options", "calibrated")
            )
            rows.setdefault((*told, _remark(row, source), row.get("driver", ""), row.get("address", "")), []).append(source.label)
    everyone = len(sources)
    return [InstrumentRow("" if len(labels) == everyone else ", ".join(labels), *told) for told, labels in rows.items()]


def _remark(row: Mapping[str, str], source: Source) -> str:
    calibrated = row.get("calibrated", "")
    if not calibrated:
        return "no calibration date in the bench file"
    if source.is_simulated or math.isnan(source.started_s):
        return ""
    try:
        when = date.fromisoformat(calibrated)
    except ValueError:
        return "not a date"
    days = (datetime.fromtimestamp(source.started_s, UTC).date() - when).days
    if days < 0:
        return "dated after this run"
    return f"{days} days before this run" if days > DAYS_OF_A_YEAR else ""


def missing_protections(source: Source) -> list[str]:
    """What the run noted of protections that an instrument does not have."""
    events = source.streams.events
    return [str(text) for kind, text in zip(events["kind"], events["text"], strict=True) if kind == "no protection"]
