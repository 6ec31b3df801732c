"""
Many parts: per parameter and condition the lowest, median, highest, mean and scatter over units; tolerance and capability.

A unit counts once in a row: its latest record where it has several. Over three channels or more of a single unit the scatter is
shown, but neither tolerance nor capability: channels of one unit are more alike than parts. Two channels are a difference, no
population: the section of channels has it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from benchkit.report.conventions import harmonised
from benchkit.report.digits import decimals_for, difference_unit, fixed, supply_of
from benchkit.report.options import Tolerance
from benchkit.report.rows import RowNumbers, row_numbers
from benchkit.report.sheet import known_parameters, place_text
from benchkit.report.source import Source, lot_and_wafer
from benchkit.results.absent import Absent
from benchkit.results.capability import capability
from benchkit.results.population import tolerance_interval
from benchkit.results.result import Result, ResultCondition

__all__ = ["LEAST_UNITS", "Population", "PopulationRow", "PopulationSummary", "PopulationTable", "population_of"]

LEAST_CHANNELS = 3
LEAST_UNITS = 25
"""For capability, before its confidence limits hold; 100 for a study: NIST/SEMATECH e-Handbook, 6.1.6 (from memory)."""
STUDY_UNITS = 100
LEAST_SPREAD = 5
"""Numbers from which a median and a standard deviation are told: of fewer they say little of a lot, and look as if they did."""
# More rows cannot be read; those that scatter most are what one looks for.
MOST_ROWS = 60
Limits = tuple[float | None, float | None]
"""None, not NaN: no NaN equals another, and every unit would have limits of its own."""


@dataclass(frozen=True)
class PopulationRow:
    """
    One condition, as printed.

    Attributes:
        count: Units with a number; `absent`: those without.
        lowest_unit, highest_unit: Whose they are.
        typical, mean, deviation: "" below LEAST_SPREAD.
        tolerance, capability: "" when not asked for, or nothing was expected.
    """

    where: str
    count: int
    absent: int
    minimum: str
    lowest_unit: str
    typical: str
    maximum: str
    highest_unit: str
    mean: str
    deviation: str
    tolerance: str
    capability: str


@dataclass(frozen=True)
class PopulationSummary:
    """
    One parameter over all of its conditions, as printed.

    Attributes:
        count: Units with a number at one condition: "3", or "2 to 3" where they are not as many everywhere.
        deviation: Median of the conditions' standard deviations.
        largest: The largest of them; `largest_at`: its condition.
    """

    conditions: int
    count: str
    lowest: str
    lowest_at: str
    highest: str
    highest_at: str
    deviation: str
    largest: str
    largest_at: str


@dataclass(frozen=True)
class PopulationTable:
    """
    One parameter.

    Attributes:
        over: "units" or "channels".
        has_spread: Some row has a median and a standard deviation.
        is_printed: A tolerance interval or capability stands in it; else the summary tells what a print needs.
    """

    caption: str
    summary: PopulationSummary
    unit: str
    deviation_unit: str
    over: str
    rows: tuple[PopulationRow, ...]
    has_spread: bool
    has_tolerance: bool
    has_capability: bool
    is_printed: bool
    note: str = ""


@dataclass(frozen=True)
class Population:
    """`has_spread`: some table has a standard deviation."""

    tables: tuple[PopulationTable, ...]
    notes: tuple[str, ...]
    has_spread: bool


@dataclass(frozen=True)
class _Member:
    unit: str
    started_s: float
    result: Result
    limits: frozenset[Limits]


def population_of(sources: Sequence[Source], tolerance: Tolerance | None = None) -> Population | None:
    """None where nothing is there to spread over: one unit with one channel or two."""
    serials = {source.serial for source in sources}
    channels = {result.condition.channel for source in sources for result in source.results}
    if len(serials) < 2 and len(channels) < LEAST_CHANNELS:
        return None
    over = "units" if len(serials) > 1 else "channels"
    parameters = known_parameters(sources)
    notes = []
    if over == "units" and len(serials) < len(sources):
        notes.append("A unit measured on several occasions counts once, with its latest record.")
    if tolerance is not None:
        notes.append(f"Tolerance interval: {tolerance.text}, two-sided, normal population, k by ISO 16269-6.")
    tables = []
    for rows in _grouped(sources, over).values():
        first = next(iter(rows.values()))[0].result
        numbers = row_numbers([member.result for members in rows.values() for member in members])
        label = parameters[first.parameter].label if first.parameter in parameters else first.parameter
        made = {where: _row(where, members, numbers, tolerance, over) for where, members in rows.items()}
        kept, note = _readable(rows, made)
        tables.append(
            PopulationTable(
                caption=", ".join(filter(None, [first.measurement, label, first.qualifier])),
                summary=_summary(rows, numbers),
                unit=numbers.scale.unit,
                deviation_unit=difference_unit(numbers.scale.unit),
                over=over,
                rows=kept,
                has_spread=any(row.deviation for row in kept),
                has_tolerance=tolerance is not None,
                has_capability=any(row.capability for row in kept),
                is_printed=any(_is_told(text) for row in kept for text in (row.tolerance, row.capability)),
                note=note,
            )
        )
    has_spread = any(table.has_spread for table in tables)
    told = "Typical: median. Standard deviation: n \N{MINUS SIGN} 1; the scatter of the measurement is in it; both from " \
           f"n = {LEAST_SPREAD} on." if has_spread else \
           f"n: how many. With fewer than {LEAST_SPREAD} neither typical value nor standard deviation is told."
    return Population(tuple(tables), (f"Over {over}. {told}", *notes), has_spread)


def _grouped(sources: Sequence[Source], over: str) -> dict[tuple[str, ...], dict[ResultCondition, list[_Member]]]:
    """By definition, then by condition: the members, one for each unit (or channel)."""
    newest: dict[tuple[tuple[str, ...], ResultCondition, str], _Member] = {}
    results = harmonised({source.label: source.results for source in sources})
    for source in sources:
        limits: dict[int, set[Limits]] = {}
        for judged in source.verdicts:
            low, high = (None if math.isnan(limit) else limit for limit in (judged.verdict.minimum, judged.verdict.maximum))
            limits.setdefault(judged.result, set()).add((low, high))
        for place, result in enumerate(results[source.label]):
            if source.is_about_bench(result):
                continue
            unit = source.serial
            where = result.condition
            if over == "channels":
                unit, where = f"channel {where.channel}", replace(where, channel=None)
            member = _Member(unit, source.started_s, result, frozenset(limits.get(place, ())))
            key = (_definition(result), where, unit)
            if key not in newest or not member.started_s < newest[key].started_s:
                newest[key] = member
    groups: dict[tuple[str, ...], dict[ResultCondition, list[_Member]]] = {}
    for (definition, where, _), member in newest.items():
        groups.setdefault(definition, {}).setdefault(where, []).append(member)
    if over == "units":
        for definition, by_condition in groups.items():
            asked = {source.serial: source for source in sources if definition[0] in _titles(source)}
            for members in by_condition.values():
                there = {member.unit for member in members}
                missing = [source for serial, source in asked.items() if serial not in there]
                members += [_not_measured(members[0], source) for source in missing]
    return groups


def _titles(source: Source) -> set[str]:
    """Measurements that a record's sequence asks for."""
    return set() if source.sequence is None else {block.title for block in source.sequence.file.measurements}


def _not_measured(example: _Member, source: Source) -> _Member:
    """A unit that died, or whose run ended before, is part of the lot like any that gives no number."""
    result = replace(
        example.result, value=math.nan, expanded_uncertainty=math.nan, reason="not measured: the run ended before it", budget=()
    )
    return _Member(source.serial, source.started_s, result, example.limits)


def _definition(result: Result) -> tuple[str, ...]:
    return result.measurement, result.parameter, result.qualifier, result.convention, result.unit, result.plane


def _row(
    where: ResultCondition, members: Sequence[_Member], numbers: RowNumbers, tolerance: Tolerance | None, over: str
) -> PopulationRow:
    present = [member for member in members if not member.result.is_absent]
    values = [member.result.value for member in present]
    place = _place(where)
    told_tolerance = "" if tolerance is None else _tolerance_text(values, tolerance, numbers, over)
    told_capability = _capability_text(present, over)
    if present and len(present) < len(members):
        # Those without a number are not a random choice: often they are the worst.
        refused = f"refused: {len(members) - len(present)} of {len(members)} have no number, and the rest is no sample of the lot"
        told_tolerance, told_capability = (refused if told else "" for told in (told_tolerance, told_capability))
    if not present:
        return PopulationRow(place, 0, len(members), "", "", "", "", "", "", "", told_tolerance, told_capability)
    low, high = (choose(present, key=lambda member: member.result.value) for choose in (min, max))
    is_spread = len(values) >= LEAST_SPREAD
    return PopulationRow(
        where=place,
        count=len(present),
        absent=len(members) - len(present),
        minimum=numbers.text(low.result.value),
        lowest_unit=low.unit,
        typical=numbers.text(median(values)) if is_spread else "",
        maximum=numbers.text(high.result.value),
        highest_unit=high.unit,
        mean=numbers.text(float(np.mean(values))) if is_spread else "",
        deviation=_deviation_text(_deviation(members, numbers)),
        tolerance=told_tolerance,
        capability=told_capability,
    )


def _is_told(text: str) -> bool:
    return bool(text) and not text.startswith("refused")


def _summary(rows: Mapping[ResultCondition, Sequence[_Member]], numbers: RowNumbers) -> PopulationSummary:
    present = [(where, member) for where, members in rows.items() for member in members if not member.result.is_absent]
    counts = sorted({sum(not member.result.is_absent for member in members) for members in rows.values()})
    count = " to ".join(dict.fromkeys((str(counts[0]), str(counts[-1]))))
    if not present:
        return PopulationSummary(len(rows), count, "", "", "", "", "", "", "")
    low, high = (choose(present, key=lambda one: one[1].result.value) for choose in (min, max))
    scatter = {where: one for where, members in rows.items() if not math.isnan(one := _deviation(members, numbers))}
    at = max(scatter, key=lambda where: scatter[where]) if scatter else None
    return PopulationSummary(
        conditions=len(rows),
        count=count,
        lowest=numbers.text(low[1].result.value),
        lowest_at=", ".join(filter(None, [_place(low[0]), low[1].unit])),
        highest=numbers.text(high[1].result.value),
        highest_at=", ".join(filter(None, [_place(high[0]), high[1].unit])),
        deviation=_deviation_text(median(scatter.values())) if scatter else "",
        largest="" if at is None else _deviation_text(scatter[at]),
        largest_at="" if at is None else _place(at),
    )


def _place(where: ResultCondition) -> str:
    supply = supply_of(where.supply_voltage_v)
    return ", ".join(filter(None, [place_text(where), supply]))


def _deviation(members: Sequence[_Member], numbers: RowNumbers) -> float:
    """NaN with fewer than LEAST_SPREAD numbers. [unit of the row]"""
    values = [member.result.value for member in members if not member.result.is_absent]
    return float(np.std(values, ddof=1)) * numbers.scale.factor if len(values) >= LEAST_SPREAD else math.nan


def _deviation_text(deviation: float) -> str:
    return "" if math.isnan(deviation) else "0" if deviation == 0 else fixed(deviation, decimals_for(deviation))


def _tolerance_text(values: Sequence[float], asked: Tolerance, numbers: RowNumbers, over: str) -> str:
    if over == "channels":
        return "refused: channels of one unit are not independent parts"
    found = tolerance_interval(values, content=asked.content, confidence=asked.confidence)
    if isinstance(found, Absent):
        return f"refused: {found.reason}"
    return f"{numbers.text(found.lower)} to {numbers.text(found.upper)} (k = {found.factor:.2f})"


def _capability_text(present: Sequence[_Member], over: str) -> str:
    asked = frozenset().union(*(member.limits for member in present)) if present else frozenset()
    if not asked:
        return ""
    if over == "channels":
        return "refused: channels of one unit are not independent parts"
    if any(member.limits != asked for member in present):
        return "refused: the units were held against different limits"
    if len(present) < LEAST_UNITS:
        count = f"{len(present)} unit{'' if len(present) == 1 else 's'}"
        return f"refused: {count}; at least {LEAST_UNITS} are needed, {STUDY_UNITS} for a study"
    return "; ".join(_capability_of(present, limits) for limits in sorted(asked, key=str))


def _capability_of(present: Sequence[_Member], limits: Limits) -> str:
    minimum, maximum = limits
    size, ordered = _subgroups(present)
    values = [member.result.value for member in ordered]
    found = capability(values, minimum=minimum, maximum=maximum, subgroup_size=size)
    if isinstance(found, Absent):
        return f"refused: {found.reason}"
    # NIST/SEMATECH e-Handbook, 6.1.6: z sqrt(1/(9 n) + Cpk^2 / (2 (n - 1))), z = 1.96 for 95 %.
    half = 1.96 * math.sqrt(1 / (9 * found.count) + found.ppk**2 / (2 * (found.count - 1)))
    parts = [f"Ppk {found.ppk:.2f} (95 %: {found.ppk - half:.2f} to {found.ppk + half:.2f})".replace("-", "\N{MINUS SIGN}")]
    parts += [f"{name} {value:.2f}" for name, value in (("Pp", found.pp), ("Cp", found.cp), ("Cpk", found.cpk))
              if not isinstance(value, Absent)]  # fmt: skip
    parts.append(f"subgroups: wafers of {size}" if size else "no Cp, Cpk: wafers are no even subgroups")
    return ", ".join(parts)


def _subgroups(present: Sequence[_Member]) -> tuple[int, list[_Member]]:
    """Units of one wafer are a subgroup, if each wafer gave as many, 2 to 25; 0: they are none."""
    wafers: dict[tuple[str, str], list[_Member]] = {}
    for member in present:
        wafers.setdefault(lot_and_wafer(member.unit), []).append(member)
    sizes = {len(members) for members in wafers.values()}
    even = len(sizes) == 1 and ("", "") not in wafers and 2 <= next(iter(sizes)) <= 25
    ordered = [member for _, members in sorted(wafers.items()) for member in members]
    return (next(iter(sizes)), ordered) if even else (0, ordered)


def _readable(
    members: Mapping[ResultCondition, Sequence[_Member]], rows: Mapping[ResultCondition, PopulationRow]
) -> tuple[tuple[PopulationRow, ...], str]:
    if len(rows) <= MOST_ROWS:
        return tuple(rows.values()), ""

    def scatter(where: ResultCondition) -> float:
        values = [member.result.value for member in members[where] if not member.result.is_absent]
        return float(np.std(values, ddof=1)) if len(values) > 1 else -1.0

    kept = set(sorted(rows, key=scatter, reverse=True)[:MOST_ROWS])
    note = f"The {MOST_ROWS} conditions of largest scatter; {len(rows) - MOST_ROWS} more are in the records."
    return tuple(row for where, row in rows.items() if where in kept), note
