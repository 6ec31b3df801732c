"""Expectations against results: which limit, how many results it speaks of, what the verdicts are, and the worst of them."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from benchkit.files.axis import Axis
from benchkit.report.digits import celsius, decimals_for, difference_unit, fixed, gigahertz, plain, scale_for
from benchkit.report.reasons import gathered
from benchkit.report.source import Judged, Source
from benchkit.results.result import Result
from benchkit.results.verdict import Outcome, Verdict

__all__ = ["OUTCOMES", "Check", "CheckKey", "RecordCheck", "checks_of", "limit_text", "place_text", "value_text"]

# Worst first. "Not judged" is no failure, and no success either.
OUTCOMES: tuple[Outcome, ...] = ("fail", "conditional fail", "not judged", "conditional pass", "pass")
# Below this part of the value it is the arithmetic's noise.
NOTHING = 1e-9
CheckKey = tuple[str, str, str, str, str, str, float | None]
Member = tuple[str, Judged, Result]


@dataclass(frozen=True)
class RecordCheck:
    """
    One expectation over the results of one record.

    Attributes:
        outcome: The worst of its verdicts.
        worst: The value that came nearest to a limit or furthest beyond, with its uncertainty; "" when none was judged.
        worst_at: Where that is.
    """

    outcome: Outcome
    worst: str = ""
    worst_at: str = ""


@dataclass(frozen=True)
class Check:
    """
    One expectation of one row, over all results that it speaks of.

    Attributes:
        parameter: Its name.
        limit: As printed, e.g. "at least 22 dB".
        where: At which temperatures and frequencies; "" everywhere.
        outcome: The worst of all verdicts.
        counts: Each outcome and how often, worst first.
        worst: The value that came nearest to a limit or furthest beyond, with its uncertainty and place.
        reason: Why it was not judged; else "".
        by_record: The same of each record alone, by its label.
    """

    parameter: str
    limit: str
    where: str
    outcome: Outcome
    counts: tuple[tuple[Outcome, int], ...]
    worst: str
    reason: str
    by_record: Mapping[str, RecordCheck]

    @property
    def total(self) -> int:
        return sum(count for _, count in self.counts)


def checks_of(
    sources: Sequence[Source], results: Mapping[str, Sequence[Result]]
) -> tuple[dict[CheckKey, list[Check]], list[Check]]:
    """
    Checks by the row they belong to (measurement, then the row's key), and the expectations that nothing answers.

    Args:
        results: Of each source by its label, in the source's own order, conventions harmonised.
    """
    grouped: dict[tuple[CheckKey, str, str], list[Member]] = defaultdict(list)
    unanswered: dict[tuple[str, str, str, str], list[str]] = defaultdict(list)
    for source in sources:
        own = results[source.label]
        answered = {judged.expectation for judged in source.verdicts if judged.result >= 0}
        for judged in source.verdicts:
            if judged.result >= 0:
                result = own[judged.result]
                limit = limit_text(judged.verdict, result.unit)
                grouped[_key(result), limit, where_text(source, judged.expectation)].append((source.label, judged, result))
        for index, parameter, limit in _expected(source):
            if index not in answered:
                unanswered[parameter, limit, where_text(source, index), "no result answers it"].append(source.label)
                continue
            # Of what it names, a temperature or a frequency that was not measured.
            parts = [one for one in source.verdicts if one.expectation == index and one.result < 0]
            for part in parts:
                unanswered[parameter, limit, where_text(source, index), part.verdict.reason].append(source.label)
    checks: dict[CheckKey, list[Check]] = defaultdict(list)
    for (key, limit, where), members in grouped.items():
        checks[key].append(_check(limit, where, members, several=len(sources) > 1))
    missing = [
        Check(parameter, limit, where, "not judged", (("not judged", len(labels)),), "",
              reason + (f" ({', '.join(labels)})" if len(sources) > 1 else ""),
              dict.fromkeys(labels, RecordCheck("not judged")))
        for (parameter, limit, where, reason), labels in unanswered.items()
    ]  # fmt: skip
    return checks, missing


def _key(result: Result) -> CheckKey:
    return (
        result.measurement, result.parameter, result.qualifier, result.convention, result.unit, result.plane,
        result.condition.supply_voltage_v,
    )  # fmt: skip


def _check(limit: str, where: str, members: Sequence[Member], *, several: bool) -> Check:
    counts = Counter(judged.verdict.outcome for _, judged, _ in members)
    nearest = _nearest(members)
    worst = ""
    if nearest is not None:
        label, result = nearest
        worst = f"{value_text(result)} at {_found_at(result)}" + (f", {label}" if several else "")
    by_record = {
        label: _record_check([one for one in members if one[0] == label]) for label in dict.fromkeys(one[0] for one in members)
    }
    reasons = Counter(judged.verdict.reason for _, judged, _ in members if judged.verdict.outcome == "not judged")
    reason = "; ".join(f"{count} not judged: {why}" for why, count in gathered(reasons.items()))
    ordered = tuple((one, counts[one]) for one in OUTCOMES if counts[one])
    return Check(members[0][2].parameter, limit, where, _worst(members), ordered, worst, reason, by_record)


def _worst(members: Sequence[Member]) -> Outcome:
    outcomes = {judged.verdict.outcome for _, judged, _ in members}
    return next(one for one in OUTCOMES if one in outcomes)


def _nearest(members: Sequence[Member]) -> tuple[str, Result] | None:
    """Label and result of what came nearest to its limit."""
    judged = [one for one in members if not math.isnan(one[1].verdict.margin)]
    if not judged:
        return None
    label, _, result = min(judged, key=lambda one: one[1].verdict.margin)
    return label, result


def _record_check(members: Sequence[Member]) -> RecordCheck:
    nearest = _nearest(members)
    if nearest is None:
        return RecordCheck(_worst(members))
    return RecordCheck(_worst(members), value_text(nearest[1]), _found_at(nearest[1]))


def place_text(result: Result) -> str:
    """Where a result holds, in words."""
    condition = result.condition
    parts = [
        "" if condition.temperature_degc is None else celsius(condition.temperature_degc),
        "" if not condition.channel else f"channel {condition.channel}",
        "" if condition.frequency_hz is None else gigahertz(condition.frequency_hz),
    ]
    return ", ".join(filter(None, parts)) or "all conditions"


def _found_at(result: Result) -> str:
    """Where it holds, and how it came about: where in the band the worst case lay, how many repeats there were."""
    return place_text(result) + (f" ({result.found})" if result.found else "")


def value_text(result: Result) -> str:
    """A value with its expanded uncertainty and unit."""
    scale = scale_for(result.unit, [result.value], result.parameter)
    expanded = result.expanded_uncertainty * scale.factor
    value = result.value * scale.factor
    if not (math.isfinite(expanded) and expanded > NOTHING * abs(value)):
        return f"{plain(value, 4)} {scale.unit}"
    decimals = decimals_for(expanded)
    return f"{fixed(value, decimals)} {scale.unit} ± {fixed(expanded, decimals)} {difference_unit(scale.unit)}"


def limit_text(verdict: Verdict, unit: str) -> str:
    """The limits in words, in the unit that the row will be printed in."""
    low, high = verdict.minimum, verdict.maximum
    scale = scale_for(unit, [low, high])
    if math.isnan(high):
        return f"at least {plain(low * scale.factor)} {scale.unit}"
    if math.isnan(low):
        return f"at most {plain(high * scale.factor)} {scale.unit}"
    return f"{plain(low * scale.factor)} to {plain(high * scale.factor)} {scale.unit}"


def where_text(source: Source, index: int) -> str:
    """Where the expectation holds; "" everywhere, or when the stored sequence cannot be read."""
    if source.sequence is None or not 0 <= index < len(source.sequence.file.expectations):
        return ""
    expectation = source.sequence.file.expectations[index]
    parts = []
    if expectation.temperature is not None:
        parts.append(_axis_text([celsius(value) for value in _few(expectation.temperature)]))
    if expectation.frequency is not None:
        parts.append(_axis_text([gigahertz(value) for value in _few(expectation.frequency)]))
    return ", ".join(parts)


def _few(axis: Axis) -> list[float]:
    """All values of a short axis, the ends of a long one."""
    return list(axis) if len(axis) <= 4 else [axis.minimum, axis.maximum]


def _axis_text(texts: list[str]) -> str:
    return " and ".join(texts) if len(texts) <= 2 else ", ".join(texts[:-1]) + " and " + texts[-1]


def _expected(source: Source) -> list[tuple[int, str, str]]:
    """Every expectation of the sequence: position, parameter, limits as the sequence words them."""
    if source.sequence is None:
        return []
    found = []
    for index, expectation in enumerate(source.sequence.file.expectations):
        if expectation.min is not None and expectation.max is not None:
            limit = f"{expectation.min} to {expectation.max}"
        else:
            limit = f"at least {expectation.min}" if expectation.max is None else f"at most {expectation.max}"
        found.append((index, expectation.parameter, limit.replace("-", "\N{MINUS SIGN}")))
    return found
