"""
Do two records of one sequence agree? Parameter by parameter at each condition that both have, by the En number
(benchkit.results.agreement), with what both have in common not counted twice (common_parts.py).

Besides what the results' own uncertainties hold, two runs may differ by what the sequence allows: the quiescent current within
its tolerance, the temperature within the soak's. Both are taken as limits of error (rectangular, JCGM 100, 4.3.7) of each run.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pandas as pd

from benchkit.campaign.causes import causes
from benchkit.campaign.common_parts import COMMON, Shared, own_results, shared_between
from benchkit.campaign.earlier import fit_to, read_earlier
from benchkit.campaign.setup import Difference, Setup, differences, setup_of
from benchkit.campaign.summary import own_streams, summarise
from benchkit.errors import FileError, Mistake
from benchkit.record import Record
from benchkit.record.damage import telling_damage
from benchkit.results.agreement import Agreement, agreement_table
from benchkit.results.result import Result, ResultCondition, supply_text
from benchkit.results.uncertainty import COVERAGE_FACTOR

__all__ = ["Comparison", "Measured", "Row", "compare", "compare_files", "load_measured", "to_data"]

EXPECTED_PART, EXPECTED_FROM = 0.05, 20
"""With k = 2 one result in twenty lies beyond by chance; of fewer than twenty none is excused."""
NEVER_EXCUSED = 2.0
"""|En| of four standard uncertainties: chance does that once in sixteen thousand."""

Key = tuple[str, str, ResultCondition]


@dataclass(frozen=True)
class Measured:
    """
    What is compared: a record's results with what is known of how they came about, or a table's with nothing known.

    Attributes:
        name: As messages show it.
        setup, points, ladders, streams: None for a table.
        changes: What was changed in it since it was sealed; empty: nothing, or not sealed, or a table.
    """

    name: str
    results: tuple[Result, ...]
    setup: Setup | None = None
    points: pd.DataFrame | None = None
    ladders: pd.DataFrame | None = None
    streams: Mapping[str, pd.DataFrame] | None = None
    changes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Row:
    """
    One parameter at one condition, twice. All numbers in `unit`; uncertainties expanded, k = 2.

    Attributes:
        first_expanded, second_expanded: As reported.
        difference: First less second.
        difference_expanded: Of the difference: common parts out, what the sequence allows in.
        common_expanded: What was taken as common, on each side.
        allowed_expanded: What the sequence's tolerances let each run differ by.
        en: En number; NaN: none, and `reason` says why.
        doubt: What casts doubt on either number: notes of the results; "": nothing.
    """

    parameter: str
    qualifier: str
    condition: ResultCondition
    unit: str
    plane: str
    first: float
    first_expanded: float
    second: float
    second_expanded: float
    difference: float
    difference_expanded: float
    common_expanded: float
    allowed_expanded: float
    en: float
    reason: str = ""
    doubt: str = ""

    @property
    def is_judged(self) -> bool:
        return not math.isnan(self.en) or self.is_one_sided

    @property
    def is_one_sided(self) -> bool:
        """A number in one and a reason in the other: no agreement, though at a threshold chance can do that."""
        return math.isnan(self.first) != math.isnan(self.second)

    @property
    def disagrees(self) -> bool:
        return self.is_one_sided or abs(self.en) > 1.0


@dataclass(frozen=True)
class Comparison:
    """
    Attributes:
        rows: What both have, worst first; those that could not be judged last.
        only_first, only_second: Parameters that the other does not have at that condition.
        common: Instruments and paths that both share.
        causes: Hints.
        notes: What the reader must know of how it was judged.
        changed: Of a record that was changed after it was sealed: which, and what. Nothing agrees with that.
    """

    first: str
    second: str
    rows: tuple[Row, ...]
    only_first: tuple[Result, ...] = ()
    only_second: tuple[Result, ...] = ()
    differences: tuple[Difference, ...] = ()
    common: tuple[str, ...] = ()
    causes: tuple[str, ...] = ()
    notes: tuple[str, ...] = field(default=())
    changed: tuple[str, ...] = ()

    @property
    def judged(self) -> tuple[Row, ...]:
        return tuple(row for row in self.rows if row.is_judged)

    @property
    def disagreements(self) -> tuple[Row, ...]:
        return tuple(row for row in self.rows if row.disagrees)

    @property
    def excused(self) -> int:
        """How many may lie beyond by chance."""
        count = len(self.judged)
        return int(EXPECTED_PART * count) if count >= EXPECTED_FROM else 0

    @property
    def agrees(self) -> bool:
        """All |En| <= 1, but for the few that chance puts beyond, and none of those with |En| > 2."""
        bad = self.disagreements
        within = len(bad) <= self.excused and not any(abs(row.en) > NEVER_EXCUSED for row in bad)
        return bool(self.judged) and within and not self.changed


def load_measured(path: Path) -> Measured:
    """
    A record, or a table of earlier results when its name ends in .csv.

    Raises:
        FormatError: Not a record that this benchkit reads.
        FileError: Mistakes in the table; or an unfinished record whose sequence can't be read.
    """
    if path.suffix.lower() == ".csv":
        return Measured(str(path), tuple(read_earlier(path)))
    with Record.open(path) as record:
        setup, points, ladders, results = setup_of(record), record.points(), record.ladders(), record.results()
        is_sealed = record.is_sealed
        changes = tuple(record.changes()) if is_sealed else ()
        streams = {} if setup.sequence is None else own_streams(record, setup.sequence)
    if not is_sealed:
        if setup.sequence is None:
            raise FileError([Mistake(str(path), None, "", f"is not sealed, and {setup.troubles[0]}")])
        results = summarise(setup.sequence, points, ladders, streams)
    return Measured(str(path), tuple(results), setup, points, ladders, streams, changes)


def compare_files(first: Path, second: Path) -> Comparison:
    """
    compare() of two records, or of a record and a table.

    Raises:
        FormatError, FileError: As load_measured() and compare().
    """
    if first.suffix.lower() == ".csv":
        raise FileError([Mistake(str(first), None, "", "is a table; only the second of the two may be one")])
    both = load_measured(first), load_measured(second)
    with telling_damage("these can't be compared", lambda: {one.name: one.changes for one in both}):
        return compare(*both)


def compare(first: Measured, second: Measured) -> Comparison:
    """
    Every parameter at every condition that both have.

    Raises:
        FileError: They are of two parts, or have nothing in common, or a table's row fits several results.
    """
    _require_one_part(first, second)
    notes: list[str] = []
    ours = _distinct(first.results)
    theirs = _distinct(second.results)
    if second.setup is None:
        theirs = fit_to(ours, theirs, second.name)
        notes.append(f"{second.name} says nothing of instruments and paths: all of its uncertainty counts as its own")
    shared = Shared({})
    known: list[Difference] = []
    if first.setup is not None and second.setup is not None:
        shared, known = shared_between(first.setup, second.setup), differences(first.setup, second.setup)
        notes += [f"{one.name}: {text}" for one, text in _troubles(first, second)]
    common_a, common_b = (_common_part(one, shared, notes) for one in (first, second))
    if shared.pairs:
        notes.append(
            f"of what a common instrument or path contributes {100 * COMMON:g} % is taken as common to both runs, the rest as "
            "their own"
        )
    allowed = _Allowed((first, second))
    wide_a, wide_b = ([allowed.widened(one) for one in results] for results in (ours, theirs))

    def shared_standard(result: Result) -> float:
        key = _key(result)
        # Where the two bench files state one part's accuracy differently, no more than the smaller is common for certain.
        return min(common_a.get(key, 0.0), common_b.get(key, 0.0)) / COVERAGE_FACTOR

    try:
        table = agreement_table(wide_a, wide_b, shared_standard=shared_standard)
    except ValueError as error:
        raise FileError([Mistake(f"{first.name} and {second.name}", None, "", str(error))]) from error
    if not table.rows:
        raise FileError([Mistake(f"{first.name} and {second.name}", None, "", _nothing_shared(ours, theirs))])
    stated = ({_key(one): one for one in ours}, {_key(one): one for one in theirs})
    rows = sorted((_row(one, stated, allowed) for one in table.rows), key=_worst_first)
    notes += _defined_otherwise(table.only_first, table.only_second)
    judged = [row for row in rows if row.is_judged]
    return Comparison(
        first.name,
        second.name,
        tuple(rows),
        table.only_first,
        table.only_second,
        tuple(known),
        tuple(shared.names()),
        tuple(causes(judged, known)),
        tuple(dict.fromkeys(notes)),
        tuple(f"{one.name}: {', '.join(one.changes)}" for one in (first, second) if one.changes),
    )


def _require_one_part(first: Measured, second: Measured) -> None:
    parts = [one.setup.facts.get("part", "") for one in (first, second) if one.setup is not None]
    if len(parts) == 2 and parts[0] != parts[1]:
        message = f"is of part {parts[1]}, and {first.name} of part {parts[0]}; agreement is asked of records of one part"
        raise FileError([Mistake(second.name, None, "part", message)])


def _defined_otherwise(only_first: Sequence[Result], only_second: Sequence[Result]) -> list[str]:
    """Of what is left over on both sides under one name: each pair of definitions once."""
    there = {_key(one): one for one in only_second}
    pairs = {
        (one.parameter, one.convention, there[_key(one)].convention)
        for one in only_first
        if _key(one) in there and one.convention != there[_key(one)].convention
    }
    return [
        f"{parameter} is defined otherwise in the two and not compared: {ours or 'not stated'} / {theirs or 'not stated'}"
        for parameter, ours, theirs in sorted(pairs)
    ]


def _troubles(*both: Measured) -> list[tuple[Measured, str]]:
    return [(one, text) for one in both if one.setup is not None for text in one.setup.troubles]


def _common_part(one: Measured, shared: Shared, notes: list[str]) -> dict[Key, float]:
    """Expanded uncertainty that comes from common parts, by result."""
    if one.setup is None or one.points is None or one.ladders is None or not shared.pairs:
        return {}
    own, kept = own_results(one.setup, one.points, one.ladders, shared, one.streams)
    notes += [f"{one.name}: {text}; all of it counts as its own" for text in kept]
    stated = {_key(result): result for result in _distinct(one.results)}
    found = {}
    for result in _distinct(own):
        whole = stated.get(_key(result))
        if whole is not None and whole.expanded_uncertainty > result.expanded_uncertainty:
            # As a product, so that nothing negative comes of rounding.
            low, high = result.expanded_uncertainty, whole.expanded_uncertainty
            found[_key(result)] = math.sqrt((high - low) * (high + low))
    return found


class _Allowed:
    """What the sequences' tolerances let each run differ by. [unit of the result, expanded]"""

    def __init__(self, both: Sequence[Measured]) -> None:
        files = [one.setup.sequence.file for one in both if one.setup is not None and one.setup.sequence is not None]
        self._trim_a = max((file.bias.tolerance_a for file in files), default=0.0)
        self._soak_k = max(
            (0.0 if file.conditions.temperature is None else file.conditions.temperature.soak.tolerance_k for file in files),
            default=0.0,
        )
        self._slopes: dict[tuple[object, ...], float] = {}
        for one in both:
            for key, slope in _slopes_per_k(one.results).items():
                self._slopes[key] = max(slope, self._slopes.get(key, 0.0))

    def expanded(self, result: Result) -> float:
        # The trim ends anywhere within its tolerance, and every drain current goes along with it.
        trim = self._trim_a if result.unit == "A" and result.plane == "drain pin" else 0.0
        warmth = self._soak_k * self._slopes.get(_but_temperature(result), 0.0)
        return COVERAGE_FACTOR * math.hypot(trim, warmth) / math.sqrt(3.0)

    def widened(self, result: Result) -> Result:
        expanded = math.hypot(result.expanded_uncertainty, self.expanded(result))
        return replace(result, expanded_uncertainty=expanded)


def _slopes_per_k(results: Sequence[Result]) -> dict[tuple[object, ...], float]:
    """Steepest change with temperature between neighbouring temperatures, by parameter and the rest of the condition. [1/K]"""
    curves: dict[tuple[object, ...], list[tuple[float, float]]] = defaultdict(list)
    for result in results:
        if result.condition.temperature_degc is not None and not result.is_absent:
            curves[_but_temperature(result)].append((result.condition.temperature_degc, result.value))
    found = {}
    for key, curve in curves.items():
        curve.sort()
        pairs = pairwise(curve)
        found[key] = max((abs((v1 - v0) / (t1 - t0)) for (t0, v0), (t1, v1) in pairs if t1 > t0), default=0.0)
    return found


def _but_temperature(result: Result) -> tuple[object, ...]:
    return result.parameter, result.qualifier, replace(result.condition, temperature_degc=None)


def _distinct(results: Sequence[Result]) -> list[Result]:
    """Of two results that only their measurement tells apart, the measurement's title goes into the qualifier."""
    counts = Counter(_key(result) for result in results)
    seen: Counter[Key] = Counter()
    found = []
    for result in results:
        if counts[_key(result)] > 1:
            result = replace(result, qualifier=f"{result.qualifier} [{result.measurement}]".strip())
        seen[_key(result)] += 1
        number = seen[_key(result)]
        found.append(result if number == 1 else replace(result, qualifier=f"{result.qualifier} no. {number}"))
    return found


def _key(result: Result) -> Key:
    return result.parameter, result.qualifier, result.condition


def _row(one: Agreement, stated: tuple[Mapping[Key, Result], Mapping[Key, Result]], allowed: _Allowed) -> Row:
    first, second = stated[0][_key(one.first)], stated[1][_key(one.second)]
    return Row(
        parameter=first.parameter,
        qualifier=first.qualifier,
        condition=first.condition,
        unit=first.unit,
        plane=first.plane,
        first=first.value,
        first_expanded=first.expanded_uncertainty,
        second=second.value,
        second_expanded=second.expanded_uncertainty,
        difference=one.difference,
        difference_expanded=one.expanded_uncertainty,
        common_expanded=COVERAGE_FACTOR * one.shared_standard_uncertainty,
        allowed_expanded=allowed.expanded(first),
        en=one.en,
        reason=one.reason,
        doubt="; ".join(f"{which}: {note}" for which, note in (("first", first.note), ("second", second.note)) if note),
    )


def _worst_first(row: Row) -> tuple[int, float]:
    if row.is_one_sided:
        return 0, 0.0
    return (2, 0.0) if math.isnan(row.en) else (1, -abs(row.en))


def _nothing_shared(ours: Sequence[Result], theirs: Sequence[Result]) -> str:
    def shown(results: Sequence[Result]) -> str:
        names = ", ".join(dict.fromkeys(result.parameter for result in results)) or "no results"
        channels = sorted({str(result.condition.channel) for result in results})
        conditions = [result.condition for result in results]
        degc = sorted({one.temperature_degc for one in conditions if one.temperature_degc is not None})
        unset = ["not set"] if any(one.temperature_degc is None for one in conditions) else []
        supplies = sorted({one.supply_voltage_v for one in conditions if one.supply_voltage_v is not None})
        temperatures = ", ".join([*unset, *(f"{one:+g} degC" for one in degc)])
        where = f"; temperature {temperatures}; supply {', '.join(map(supply_text, supplies))}"
        hz = sorted({result.condition.frequency_hz for result in results if result.condition.frequency_hz is not None})
        band = f", {hz[0] / 1e9:g} to {hz[-1] / 1e9:g} GHz" if hz else ""
        return f"{names}; channels {', '.join(channels)}{band}{where}"

    return f"no parameter at a shared condition. First: {shown(ours)}. Second: {shown(theirs)}"


def to_data(comparison: Comparison) -> dict[str, Any]:
    """For JSON: NaN is null."""

    def plain(value: Any) -> Any:
        return None if isinstance(value, float) and not math.isfinite(value) else value

    def row(one: Row) -> dict[str, Any]:
        values = {name: plain(value) for name, value in vars(one).items() if name != "condition"}
        return {**values, **vars(one.condition), "disagrees": one.disagrees}

    def left_over(results: Sequence[Result]) -> list[dict[str, Any]]:
        return [
            {
                "parameter": one.parameter, "qualifier": one.qualifier, **vars(one.condition), "value": plain(one.value),
                "unit": one.unit,
            }
            for one in results
        ]  # fmt: skip

    return {
        "first": comparison.first,
        "second": comparison.second,
        "agrees": comparison.agrees,
        "judged": len(comparison.judged),
        "disagreeing": len(comparison.disagreements),
        "excused": comparison.excused,
        "rows": [row(one) for one in comparison.rows],
        "only_first": left_over(comparison.only_first),
        "only_second": left_over(comparison.only_second),
        "changed": list(comparison.changed),
        "differences": [vars(one) for one in comparison.differences],
        "common": list(comparison.common),
        "causes": list(comparison.causes),
        "notes": list(comparison.notes),
    }
