"""From points to results and verdicts: pure, and the same for a run just done and for a record opened years later."""

from __future__ import annotations

import math
from collections.abc import Mapping
from collections.abc import Sequence as Seq

import pandas as pd

from benchkit.campaign.not_measured import not_measured
from benchkit.campaign.visits import at_visit, marked, visits_of_ladders, without_visit
from benchkit.measurements.sentinel import SENTINEL
from benchkit.plan.plan import make_plan
from benchkit.quantities import parse_quantity
from benchkit.record import Record
from benchkit.results.absent import Absent
from benchkit.results.result import PARAMETERS, Parameter, Result
from benchkit.results.verdict import Verdict, judge
from benchkit.sequence.load import Sequence
from benchkit.sequence.model import Expectation

__all__ = ["in_finished", "judge_results", "known_parameters", "of_measurement", "own_streams", "summarise"]


def own_streams(record: Record, sequence: Sequence) -> dict[str, pd.DataFrame]:
    """The streams that the kinds of `sequence` fill besides the points, as far as the record has them."""
    blocks = (*sequence.file.measurements, *((sequence.file.sentinel,) if sequence.file.sentinel else ()))
    names = dict.fromkeys(stream.name for block in blocks for stream in block.streams)
    return {name: record.stream(name) for name in names if name in record.streams}


def in_finished(rows: pd.DataFrame, ladders: pd.DataFrame) -> pd.Series[bool]:
    """Which rows are of a finished attempt at their ladder: a torn one is kept in the record, and gives no number."""
    done = ladders[ladders["status"].isin(("complete", "stopped"))]
    ladder = rows["ladder"].isin(set(done["ladder"]))
    # Most records have one attempt at each ladder, and a million points.
    if len(rows) and len(done) and (rows["attempt"].max() > 1 or done["attempt"].max() > 1):
        pairs = pd.MultiIndex.from_frame(done[["ladder", "attempt"]])
        return ladder & pd.MultiIndex.from_frame(rows[["ladder", "attempt"]]).isin(pairs)
    return ladder


def of_measurement(index: int, streams: Mapping[str, pd.DataFrame], ladders: pd.DataFrame) -> dict[str, pd.DataFrame]:
    """One measurement's rows of finished ladders, and what was last stored before the first condition (ladder -1)."""
    found = {}
    for name, stream in streams.items():
        own = stream[stream["measurement"] == index]
        before = own[own["ladder"] == -1]
        last = before["attempt"] == before.groupby("channel")["attempt"].transform("max")
        kept = in_finished(own, ladders)
        kept[last.index[last]] = True
        rows = own[kept]
        rows.attrs = {}
        found[name] = rows
    return found


def summarise(
    sequence: Sequence, points: pd.DataFrame, ladders: pd.DataFrame, streams: Mapping[str, pd.DataFrame] | None = None
) -> list[Result]:
    """
    Every result of every measurement, from finished ladders only; absent ones for what failed, was skipped or dropped.

    Args:
        points: All points of a record.
        streams: As own_streams(); None: it has none.
        ladders: Its ladders; a ladder that is not "complete" or "stopped" contributes nothing.
    """
    # pandas copies a frame's attributes deeply into every slice of it; a thousand ladders later that is a second.
    points = points.copy(deep=False)
    points.attrs = {}
    streams = streams or {}
    finished = in_finished(points, ladders)
    visits = visits_of_ladders(make_plan(sequence.file))
    results: dict[int, list[Result]] = {}
    for visit in sorted(set(visits.values())) or [1]:
        # What was stored before the first condition (ladder -1) belongs to every visit.
        rows = {name: stream[_of_visit(stream, visits, visit) | (stream["ladder"] < 0)] for name, stream in streams.items()}
        own_ladders = ladders[_of_visit(ladders, visits, visit)]
        found = _summarise(sequence, points[finished & _of_visit(points, visits, visit)], own_ladders, rows)
        for index, own in found.items():
            # What follows from other measurements is as doubtful as they are.
            of_others = sequence.file.measurements[index].uses_others
            made_of = own_ladders if of_others else own_ladders[own_ladders["measurement"] == index]
            noted = marked(own, made_of, streams.get(SENTINEL), sequence.file.sentinel)
            results.setdefault(index, []).extend(at_visit(noted, visit))
    return [result for index in sorted(results) for result in results[index]]


def _of_visit(rows: pd.DataFrame, visits: Mapping[int, int], visit: int) -> pd.Series[bool]:
    if not visits:
        return pd.Series(True, index=rows.index)
    return rows["ladder"].map(visits).fillna(0).astype(int) == visit


def _summarise(
    sequence: Sequence, points: pd.DataFrame, ladders: pd.DataFrame, streams: Mapping[str, pd.DataFrame]
) -> dict[int, list[Result]]:
    """By measurement: results of its rows, and absent ones for what is missing. `points`: of finished ladders."""
    found: dict[int, list[Result]] = {}
    blocks = list(enumerate(sequence.file.measurements))
    # What follows from other measurements comes after them, wherever it stands in the sequence; results keep that order.
    for index, block in sorted(blocks, key=lambda one: one[1].uses_others):
        own = points[points["measurement"] == index]
        rows = of_measurement(index, streams, ladders)
        if not len(own) and not any(map(len, rows.values())):
            continue
        if block.uses_others:
            others = [result for at, results in found.items() if not blocks[at][1].uses_others for result in results]
            found[index] = block.summarise_after(own, rows, others)
        else:
            found[index] = block.summarise_record(own, rows)
    return {
        index: [*own, *not_measured(ladders[ladders["measurement"] == index], own)]
        for index, _ in blocks
        for own in (found.get(index, []),)
    }


def known_parameters(sequence: Sequence) -> dict[str, Parameter]:
    """The table of parameters, with those that the kinds used by this sequence add."""
    added = {parameter.name: parameter for block in sequence.file.measurements for parameter in block.parameters}
    return {**PARAMETERS, **added}


def judge_results(sequence: Sequence, results: Seq[Result]) -> list[Verdict]:
    """
    One verdict for each expectation and each result that it speaks of, in the order of the expectations; an expectation that
    no result answers gets one verdict "not judged" of its own, and so does each temperature and frequency that it names.
    """
    verdicts: list[Verdict] = []
    parameters = known_parameters(sequence)
    for index, expectation in enumerate(sequence.file.expectations):
        unit = parameters[expectation.parameter].unit
        minimum = math.nan if expectation.min is None else parse_quantity(expectation.min, unit)
        maximum = math.nan if expectation.max is None else parse_quantity(expectation.max, unit)
        spoken_of: Seq[Result | Absent] = [result for result in results if _speaks_of(expectation, result)]
        # A promise that nothing answers is not a promise kept.
        what = f"no result for {expectation.parameter} {expectation.qualifier}".strip()
        for result in [*spoken_of, *_unanswered(expectation, spoken_of, what)] or [Absent(what)]:
            verdicts.append(judge(result, minimum=minimum, maximum=maximum, rule=sequence.file.decision_rule, expectation=index))
    return verdicts


def _unanswered(expectation: Expectation, results: Seq[Result | Absent], what: str) -> list[Absent]:
    """What it names and the run did not measure; empty where nothing answers at all."""
    conditions = [result.condition for result in results if isinstance(result, Result)]
    if not conditions:
        return []
    degc = {condition.temperature_degc for condition in conditions}
    hz = [condition.frequency_hz for condition in conditions if condition.frequency_hz is not None]
    found = [f"{one:+g} °C" for one in expectation.temperature or () if one not in degc]
    unheard = [one for one in expectation.frequency or () if not any(math.isclose(one, there, rel_tol=1e-12) for there in hz)]
    found += [f"{one / 1e9:.9g} GHz" for one in unheard]
    return [Absent(f"{what} at {where}") for where in found]


def _speaks_of(expectation: Expectation, result: Result) -> bool:
    if result.parameter != expectation.parameter:
        return False
    # What is expected is expected at every visit, unless one is named.
    if expectation.qualifier and expectation.qualifier not in (result.qualifier, without_visit(result.qualifier)[0]):
        return False
    condition = result.condition
    if expectation.frequency is not None and (
        condition.frequency_hz is None
        or not any(math.isclose(condition.frequency_hz, hz, rel_tol=1e-12) for hz in expectation.frequency)
    ):
        return False
    return expectation.temperature is None or (
        condition.temperature_degc is not None and condition.temperature_degc in tuple(expectation.temperature)
    )
