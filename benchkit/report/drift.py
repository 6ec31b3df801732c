"""Has the bench drifted? What the sentinel found, what it casts doubt on, and what a return to a temperature shows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchkit.campaign.visits import hysteresis
from benchkit.measurements.sentinel import SENTINEL
from benchkit.report.digits import celsius, difference_unit, fixed, scale_for
from benchkit.report.source import Source
from benchkit.results.result import Parameter, Result, ResultCondition

__all__ = ["Drift", "DriftRow", "ReturnRow", "drift_of"]


@dataclass(frozen=True)
class DriftRow:
    """One condition's sentinel: how often it was measured, and the furthest it was from its reference."""

    where: str
    count: int
    drifted: int
    gain_db: str
    quiescent_ma: str
    scatter_db: str


@dataclass(frozen=True)
class ReturnRow:
    """One parameter, last visit less first. `uncertainty`: of either number; what both have in common cancels."""

    label: str
    where: str
    first: str
    last: str
    difference: str
    uncertainty: str
    unit: str
    difference_unit: str


@dataclass(frozen=True)
class Drift:
    """
    Of one record.

    Attributes:
        record: Its label.
        bound: What counts as drift, in words.
        marked: Results with a note, and of how many.
    """

    record: str
    bound: str
    rows: tuple[DriftRow, ...]
    returns: tuple[ReturnRow, ...]
    marked: int
    results: int


def drift_of(sources: Sequence[Source], parameters: Mapping[str, Parameter]) -> list[Drift]:
    """Records with a sentinel, or with a return to a temperature."""
    found = []
    for source in sources:
        rows, returns = _rows(source), _returns(source, parameters)
        if rows or returns:
            block = None if source.sequence is None else source.sequence.file.sentinel
            bound = "" if block is None else f"{block.gain_drift_max_db:g} dB of gain"
            if block is not None and block.quiescent_drift_max_a is not None:
                bound += f" or {block.quiescent_drift_max_a * 1e3:g} mA of quiescent current"
            marked = sum(bool(result.note) for result in source.results)
            found.append(Drift(source.label, bound, rows, returns, marked, len(source.results)))
    return found


def _rows(source: Source) -> tuple[DriftRow, ...]:
    readings = source.streams.own.get(SENTINEL)
    if readings is None or readings.empty:
        return ()
    rows = []
    where = ["temperature_set_degc", "channel", "supply_voltage_set_v"]
    for _, own in readings.groupby(where, sort=False, dropna=False):
        degc, channel, supply_v = (own[name].iloc[0] for name in where)
        condition = ResultCondition(None if math.isnan(degc) else float(degc), str(channel), float(supply_v))
        rows.append(
            DriftRow(
                _where(condition), len(own), int((own["status"] == "drifted").sum()), _furthest(own["drift_db"].tolist(), 1.0, 3),
                _furthest(own["drift_a"].tolist(), 1e3, 2), fixed(float(own["gain_scatter_db"].mean()), 4),
            )
        )  # fmt: skip
    return tuple(rows)


def _furthest(values: Sequence[float], factor: float, decimals: int) -> str:
    present = [value for value in values if not math.isnan(value)]
    return fixed(max(present, key=abs) * factor, decimals) if present else "not compared"


def _returns(source: Source, parameters: Mapping[str, Parameter]) -> tuple[ReturnRow, ...]:
    rows = []
    for first, last in hysteresis(source.results):
        scale = scale_for(first.unit, [first.value, last.value])
        expanded = max(first.expanded_uncertainty, last.expanded_uncertainty) * scale.factor
        decimals = 3 if math.isnan(expanded) or expanded == 0 else max(0, min(6, 2 - math.floor(math.log10(expanded))))
        rows.append(
            ReturnRow(
                _label(first, parameters), _where(first.condition), fixed(first.value * scale.factor, decimals),
                fixed(last.value * scale.factor, decimals), fixed((last.value - first.value) * scale.factor, decimals),
                "" if math.isnan(expanded) else fixed(expanded, decimals), scale.unit, difference_unit(scale.unit),
            )
        )  # fmt: skip
    return tuple(rows)


def _label(result: Result, parameters: Mapping[str, Parameter]) -> str:
    name = parameters[result.parameter].label if result.parameter in parameters else result.parameter
    return ", ".join(filter(None, [name, result.qualifier]))


def _where(condition: ResultCondition) -> str:
    parts = [
        "" if condition.temperature_degc is None else celsius(condition.temperature_degc),
        "" if condition.channel is None else f"channel {condition.channel}",
        "" if condition.supply_voltage_v is None else f"{condition.supply_voltage_v:g} V",
        "" if condition.frequency_hz is None else f"{condition.frequency_hz / 1e9:.6g} GHz",
    ]
    return ", ".join(filter(None, parts))
