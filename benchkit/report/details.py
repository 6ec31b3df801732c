"""Detail tables: the sheet's rows again, spread out by temperature, channel, frequency or unit."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchkit.report.digits import celsius, difference_unit, gigahertz, supply_of
from benchkit.report.rows import RowNumbers, result_key, row_key, row_numbers
from benchkit.report.sheet import Group, Sheet
from benchkit.results.result import Parameter, Result
from benchkit.results.spread import Spread, SpreadKey, spread

__all__ = ["Cell", "DetailRow", "DetailTable", "detail_tables"]

# More columns than this cannot be read on paper; the plots over frequency show them.
MOST_COLUMNS = 13
_WORDS: dict[SpreadKey, str] = {
    "temperature_degc": "temperature",
    "channel": "channel",
    "frequency_hz": "frequency",
    "unit": "unit",
}


@dataclass(frozen=True)
class Cell:
    """Typical (median) and, when there is more than one number, the range; how many are absent (the sheet says why)."""

    typical: str
    span: str
    absent: str


@dataclass(frozen=True)
class DetailRow:
    label: str
    qualifier: str
    unit: str
    uncertainty: str
    uncertainty_unit: str
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class DetailTable:
    """One table. `note` says what is left out, and where it can be found."""

    by: str
    caption: str
    columns: tuple[str, ...]
    rows: tuple[DetailRow, ...]
    note: str = ""


def detail_tables(sheet: Sheet, parameters: Mapping[str, Parameter], *, several_records: bool) -> list[DetailTable]:
    """One table for each quantity that took more than one value, in the order of _WORDS, for each measurement."""
    tables = []
    for key, word in _WORDS.items():
        if key == "unit" and not several_records:
            continue
        for group in sheet.groups:
            table = _table(group, key, word, parameters, sheet.several_supplies)
            if table is not None:
                tables.append(table)
    return tables


def _table(
    group: Group, key: SpreadKey, word: str, parameters: Mapping[str, Parameter], several_supplies: bool
) -> DetailTable | None:
    spreads = spread(group.results, keep=("supply_voltage_v", key))
    values = list(dict.fromkeys(value for one in spreads if (value := dict(one.kept)[key]) is not None))
    values.sort(key=lambda value: (0.0, value) if isinstance(value, str) else (float(value), ""))
    if len(values) < 2:
        return None
    caption = f"{group.title}: by {word}"
    if len(values) > MOST_COLUMNS:
        note = f"{len(values)} values of {word} are too many for a table; they are in the plots and in the record."
        return DetailTable(word, caption, (), (), note)
    numbers = _numbers(group)
    rows: dict[object, dict[object, Spread]] = {}
    for one in spreads:
        if dict(one.kept)[key] is not None:
            rows.setdefault((one.parameter, one.qualifier, row_key(one)[-1]), {})[dict(one.kept)[key]] = one
    return DetailTable(
        word,
        caption,
        tuple(_heading(key, value) for value in values),
        tuple(_row(cells, values, numbers, parameters, several_supplies) for cells in rows.values()),
    )


def _numbers(group: Group) -> dict[tuple[str, str, float | None], RowNumbers]:
    """Digits per parameter, qualifier and supply: the columns of one row are printed at one place."""
    members: dict[tuple[str, str, float | None], list[Result]] = {}
    for of_record in group.results.values():
        for result in of_record:
            key = result_key(result)
            members.setdefault((key[0], key[1], key[-1]), []).append(result)
    return {key: row_numbers(many) for key, many in members.items()}


def _row(
    cells: Mapping[object, Spread],
    values: Sequence[object],
    numbers: Mapping[tuple[str, str, float | None], RowNumbers],
    parameters: Mapping[str, Parameter],
    several_supplies: bool,
) -> DetailRow:
    first = next(iter(cells.values()))
    supply = row_key(first)[-1]
    own = numbers[first.parameter, first.qualifier, supply]
    parameter = parameters.get(first.parameter)
    qualifier = ", ".join(
        filter(None, [first.qualifier, supply_of(supply) if several_supplies else ""])
    )
    return DetailRow(
        label=first.parameter if parameter is None else parameter.label,
        qualifier=qualifier,
        unit=own.scale.unit,
        uncertainty=own.uncertainty,
        uncertainty_unit=difference_unit(own.scale.unit),
        cells=tuple(_cell(cells.get(value), own) for value in values),
    )


def _cell(one: Spread | None, numbers: RowNumbers) -> Cell:
    if one is None:
        return Cell("", "", "")
    absent = f"{one.absent} absent" if one.absent and one.count else "absent" if one.absent else ""
    if math.isnan(one.typical):
        return Cell("", "", absent)
    span = f"{numbers.text(one.minimum)} to {numbers.text(one.maximum)}" if one.count > 1 else ""
    return Cell(numbers.text(one.typical), span, absent)


def _heading(key: SpreadKey, value: str | float) -> str:
    if isinstance(value, str):
        return f"channel {value}" if key == "channel" else value
    return celsius(value) if key == "temperature_degc" else gigahertz(value)
