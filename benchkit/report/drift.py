"""Has the bench drifted? What the sentinel found and casts doubt on, what repeats and a return to a temperature show."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchkit.campaign.returns import case_at_visits, returns_of
from benchkit.campaign.setup import Setup
from benchkit.measurements.sentinel import SENTINEL
from benchkit.report.digits import celsius, difference_unit, fixed, scale_for, supply_of
from benchkit.report.sheet import place_text
from benchkit.report.source import Source
from benchkit.results.repeats import MOVED, REPEATABILITY
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
    """One parameter, last visit less first. `uncertainty`: of the difference, what both have in common taken out; "": unknown."""

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
        warmer: What the case's temperature differs by between the visits, in words; no hysteresis, and in every difference.
        marked: Results with a sentinel's note, and of how many.
        notes: Each such note, and how many results carry it.
        apart: Each parameter with results whose repeats lie apart: how many, and the note of the one furthest apart.
    """

    record: str
    bound: str
    rows: tuple[DriftRow, ...]
    returns: tuple[ReturnRow, ...]
    warmer: tuple[str, ...]
    marked: int
    results: int
    notes: tuple[tuple[str, int], ...] = ()
    apart: tuple[tuple[str, int, str], ...] = ()


def drift_of(sources: Sequence[Source], parameters: Mapping[str, Parameter]) -> list[Drift]:
    """Records with a sentinel, with a return to a temperature, or with repeats that lie apart."""
    found = []
    for source in sources:
        setup = Setup(source.sequence, source.bench, {row.get("name", ""): row for row in source.instruments})
        rows, returns = _rows(source), _returns(source, setup, parameters)
        apart = _apart(source, parameters)
        if rows or returns or apart:
            block = None if source.sequence is None else source.sequence.file.sentinel
            bound = "" if block is None else f"{block.gain_drift_max_db:g} dB of gain"
            if block is not None and block.quiescent_drift_max_a is not None:
                bound += f" or {block.quiescent_drift_max_a * 1e3:g} mA of quiescent current"
            drifted = (result.note.partition(MOVED)[0].removesuffix("; ") for result in source.results)
            notes = Counter(note for note in drifted if note)
            warmer, count = _warmer(source, setup), len(source.results)
            found.append(
                Drift(source.label, bound, rows, returns, warmer, notes.total(), count, tuple(notes.most_common()), apart)
            )
    return found


def _apart(source: Source, parameters: Mapping[str, Parameter]) -> tuple[tuple[str, int, str], ...]:
    """By parameter and qualifier, in the order of the results."""
    members: dict[tuple[str, str], list[Result]] = {}
    for result in source.results:
        if MOVED in result.note:
            members.setdefault((result.parameter, result.qualifier), []).append(result)
    rows = []
    for (name, qualifier), many in members.items():
        # How much of U the repeats' scatter is: the larger, the further apart.
        worst = max(many, key=_share)
        known = parameters.get(name)
        label = ", ".join(filter(None, [name if known is None else known.label, qualifier]))
        _, begun, rest = worst.note.partition(MOVED)
        rows.append((label, len(many), f"{place_text(worst.condition)}: {begun}{rest}"))
    return tuple(rows)


def _share(result: Result) -> float:
    of_repeats = sum(line.amount**2 for line in result.budget if line.name.startswith(REPEATABILITY))
    return of_repeats / sum(line.amount**2 for line in result.budget)


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


def _warmer(source: Source, setup: Setup) -> tuple[str, ...]:
    return tuple(
        f"at {celsius(degc)} set the case stood at {fixed(first, 2)} °C, then at {fixed(last, 2)} °C"
        for degc, (first, last) in case_at_visits(setup, source.streams.points).items()
    )


def _returns(source: Source, setup: Setup, parameters: Mapping[str, Parameter]) -> tuple[ReturnRow, ...]:
    rows, streams = [], source.streams
    for one in returns_of(setup, source.results, streams.points, streams.ladders, streams.own):
        first, last = one.first, one.last
        scale = scale_for(first.unit, [first.value, last.value])
        expanded = one.expanded_uncertainty * scale.factor
        decimals = 3 if math.isnan(expanded) or expanded == 0 else max(0, min(6, 1 - math.floor(math.log10(expanded))))
        rows.append(
            ReturnRow(
                _label(first, parameters), _where(first.condition), fixed(first.value * scale.factor, decimals),
                fixed(last.value * scale.factor, decimals), fixed(one.difference * scale.factor, decimals),
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
        supply_of(condition.supply_voltage_v),
        "" if condition.frequency_hz is None else f"{condition.frequency_hz / 1e9:.6g} GHz",
    ]
    return ", ".join(filter(None, parts))
