"""The data-sheet table: one row per parameter, its lowest, typical and highest value, its uncertainty and its expectations."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from benchkit.report.checks import Check, CheckKey, checks_of
from benchkit.report.conventions import harmonised
from benchkit.report.digits import celsius, difference_unit, gigahertz, supply_of
from benchkit.report.reasons import gathered
from benchkit.report.rows import RowKey, RowNumbers, result_key, row_key, row_numbers
from benchkit.report.source import Source
from benchkit.results.result import PARAMETERS, UNPOWERED_V, Parameter, Result, ResultCondition
from benchkit.results.spread import Located, Spread, spread

__all__ = ["Group", "Row", "Sheet", "known_parameters", "make_sheet", "room_temperature"]

ROOM_DEGC = 25.0
ROOM_SPAN_K = 10.0


@dataclass(frozen=True)
class Row:
    """
    One row, as printed.

    Attributes:
        typical_note: Where the typical value is not taken at room temperature, where it is.
        absent: Reason and how many results have it.
        checks: One for each expectation that speaks of the row.
        marked: How many numbers carry a note: the bench had drifted.
    """

    name: str
    label: str
    qualifier: str
    plane: str
    convention: str
    supply: str
    unit: str
    minimum: str
    minimum_at: str
    typical: str
    typical_note: str
    maximum: str
    maximum_at: str
    uncertainty: str
    uncertainty_unit: str
    uncertainty_reason: str
    count: int
    absent: tuple[tuple[str, int], ...]
    checks: tuple[Check, ...]
    marked: int = 0


@dataclass(frozen=True)
class Group:
    """
    The rows of one measurement, with what the detail tables are made of.

    Attributes:
        about_bench: They say nothing of the part.
    """

    title: str
    about_bench: bool
    rows: tuple[Row, ...]
    results: Mapping[str, Sequence[Result]]
    numbers: Mapping[RowKey, RowNumbers]


@dataclass(frozen=True)
class Sheet:
    """All rows, by measurement, those of the part first; and the expectations that no result answers."""

    groups: tuple[Group, ...]
    unanswered: tuple[Check, ...]
    typical_at_degc: float | None
    several_supplies: bool

    @property
    def of_part(self) -> tuple[Group, ...]:
        return tuple(group for group in self.groups if not group.about_bench)

    @property
    def of_bench(self) -> tuple[Group, ...]:
        return tuple(group for group in self.groups if group.about_bench)


def room_temperature(sources: Sequence[Source]) -> float | None:
    """The temperature nearest 25 °C at which something was measured, if it is within 10 K of it. [degC]"""
    found = {
        result.condition.temperature_degc
        for source in sources
        for result in source.results
        if result.condition.temperature_degc is not None
    }
    nearest = min(found, key=lambda value: abs(value - ROOM_DEGC), default=None)
    return nearest if nearest is not None and abs(nearest - ROOM_DEGC) <= ROOM_SPAN_K else None


def known_parameters(sources: Sequence[Source]) -> dict[str, Parameter]:
    """The table of parameters, with those that the kinds used in these records add."""
    added = {
        parameter.name: parameter
        for source in sources
        if source.sequence is not None
        for block in source.sequence.file.measurements
        for parameter in block.parameters
    }
    return {**PARAMETERS, **added}


def make_sheet(sources: Sequence[Source]) -> Sheet:
    """Every result of every record in its row."""
    parameters = known_parameters(sources)
    results = harmonised({source.label: source.results for source in sources})
    about = {id(r): source.is_about_bench(r) for source in sources for r in results[source.label]}
    titles = list(dict.fromkeys((r.measurement, about[id(r)]) for of_record in results.values() for r in of_record))
    titles.sort(key=lambda one: one[1])
    supplies = {r.condition.supply_voltage_v for of_record in results.values() for r in of_record}
    # What is measured unpowered says so by its name.
    several = len(supplies - {None, UNPOWERED_V}) > 1
    room = room_temperature(sources)
    checks, unanswered = checks_of(sources, results)
    groups: list[Group] = []
    for title, of_bench in titles:
        own = {
            label: [r for r in of_record if (r.measurement, about[id(r)]) == (title, of_bench)]
            for label, of_record in results.items()
        }
        members = _members(own)
        numbers = {key: row_numbers(many) for key, many in members.items()}
        overall = {row_key(one): one for one in spread(own)}
        at_room = overall if room is None else {row_key(one): one for one in spread(own, typical_at_degc=room)}
        rows = tuple(
            _row(
                at_room[key], overall[key], numbers[key], parameters, len(sources) > 1, several,
                _checks_for(checks, title, key, list(at_room)),
                sum(bool(one.note) and not one.is_absent for one in members[key]),
            )
            for key in at_room
        )  # fmt: skip
        groups.append(Group(title, of_bench, rows, own, numbers))
    return Sheet(tuple(groups), tuple(unanswered), room, several)


def _checks_for(checks: Mapping[CheckKey, Sequence[Check]], title: str, key: RowKey, rows: Sequence[RowKey]) -> tuple[Check, ...]:
    """The row's own checks; and those of absent results that the row has taken in, whatever definition they had."""
    own = list(checks.get((title, *key), ()))
    home = next(row for row in rows if _sibling(row) == _sibling(key))
    if home == key:
        strays = (other for other in checks if other[0] == title and _sibling(other[1:]) == _sibling(key))
        own += [check for other in strays if other[1:] not in rows for check in checks[other]]
    return tuple(own)


def _sibling(key: RowKey) -> tuple[object, ...]:
    return key[0], key[1], key[3], key[4], key[5]


def _members(results: Mapping[str, Sequence[Result]]) -> dict[RowKey, list[Result]]:
    members: dict[RowKey, list[Result]] = defaultdict(list)
    for of_record in results.values():
        for result in of_record:
            members[result_key(result)].append(result)
    return members


def _row(
    row: Spread,
    overall: Spread,
    numbers: RowNumbers,
    parameters: Mapping[str, Parameter],
    several_records: bool,
    several_supplies: bool,
    checks: tuple[Check, ...],
    marked: int,
) -> Row:
    parameter = parameters.get(row.parameter)
    typical, note = row.typical, ""
    if math.isnan(typical) and not math.isnan(overall.typical):
        typical, note = overall.typical, "over all temperatures"
    supply = dict(row.kept).get("supply_voltage_v")
    return Row(
        name=row.parameter,
        label=row.parameter if parameter is None else parameter.label,
        qualifier=row.qualifier,
        plane=row.plane,
        convention=row.convention,
        supply=supply_of(float(supply)) if several_supplies and supply is not None else "",
        unit=numbers.scale.unit,
        minimum=numbers.text(row.minimum),
        minimum_at=_at(row.lowest, several_records),
        typical=numbers.text(typical),
        typical_note=note,
        maximum=numbers.text(row.maximum),
        maximum_at=_at(row.highest, several_records),
        uncertainty=numbers.uncertainty,
        uncertainty_unit=difference_unit(numbers.scale.unit),
        uncertainty_reason=numbers.uncertainty_reason,
        count=row.count,
        absent=tuple(gathered(row.absent_reasons)),
        checks=checks,
        marked=marked,
    )


def _at(located: Located | None, several_records: bool) -> str:
    if located is None:
        return ""
    where = place_text(located.result.condition)
    return ", ".join(filter(None, [located.unit_serial if several_records else "", where]))


def place_text(condition: ResultCondition) -> str:
    """A condition in a few words; the supply voltage is left to the row."""
    return ", ".join(_parts(condition))


def _parts(condition: ResultCondition) -> Iterator[str]:
    if condition.temperature_degc is not None:
        yield celsius(condition.temperature_degc)
    if condition.channel:
        yield condition.channel
    if condition.frequency_hz is not None:
        yield gigahertz(condition.frequency_hz)
