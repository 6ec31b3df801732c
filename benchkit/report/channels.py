"""
Channel against channel of one unit: first channel less the other, at each condition that both have, gain and phase among them.

What both channels share cannot make them differ: the one source, the one power meter, a path that is the same path (not one with
the same numbers). Of what such a part contributes benchkit.campaign.common_parts.COMMON is taken as common. Two outputs of one
supply, two paths, scatter: each channel's own.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchkit.campaign.common_parts import COMMON
from benchkit.report.curves import PHASE, UNPOWERED, Sweep, sweeps_of, where_text
from benchkit.report.digits import decimals_for, difference_unit, fixed, gigahertz, plain
from benchkit.report.drawing import ArrayPool, Drawing, draw
from benchkit.report.source import Source
from benchkit.report.style import Series, Style
from benchkit.results.absent import Absent
from benchkit.results.capability import channel_match
from benchkit.results.correlated import CorrelatedBudget
from benchkit.results.figure import Axis, Figure, Trace
from benchkit.results.result import Parameter, Result
from benchkit.results.uncertainty import Contribution

__all__ = ["ChannelRow", "ChannelSection", "ChannelSummary", "channel_section", "expanded_of_channels", "shared_parts"]

# How the contributions of a budget that a part makes begin; the part is then looked up in the wiring.
_PARTS = ("source", "power meter", "input path", "output path")
NO_PHASE_BUDGET = "not known: no budget of the phase yet"
NO_RESIDUALS = "not known: the record holds no residuals of the calibrations"
SHOWN = "small_signal_gain"


@dataclass(frozen=True)
class ChannelRow:
    """One parameter at one temperature and supply voltage over frequency, as printed. U at the worst."""

    record: str
    measurement: str
    label: str
    pair: str
    where: str
    count: int
    mean: str
    worst: str
    worst_at: str
    uncertainty: str
    unit: str
    note: str


@dataclass(frozen=True)
class ChannelSummary:
    """
    One parameter over all units and conditions, as printed: its largest difference, and how many rows speak of it.

    Attributes:
        is_beyond: Somewhere the channels differ by more than the difference's U; None: no U is known.
    """

    measurement: str
    label: str
    pair: str
    count: int
    lowest_mean: str
    highest_mean: str
    worst: str
    worst_at: str
    uncertainty: str
    unit: str
    is_beyond: bool | None


@dataclass(frozen=True)
class ChannelSection:
    summaries: tuple[ChannelSummary, ...]
    rows: tuple[ChannelRow, ...]
    drawings: tuple[Drawing, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Match:
    """Differences over frequency, in `unit`; `expanded` NaN: not known, and then `reason`."""

    record: str
    first: Result | Sweep
    label: str
    name: str
    pair: str
    hz: tuple[float, ...]
    values: tuple[float, ...]
    expanded: tuple[float, ...]
    unit: str
    reason: str


def channel_section(
    sources: Sequence[Source], parameters: Mapping[str, Parameter], style: Style, pool: ArrayPool, note: str
) -> ChannelSection | None:
    """None where no record has two channels at one condition."""
    matches = [match for source in sources for match in (*_of_results(source, parameters), *_of_sweeps(source))]
    if not matches:
        return None
    notes = []
    for source in sources:
        shared = [text for channels in _channel_pairs(source) for text in shared_parts(source, *channels).values()]
        if shared and any(match.record == source.label for match in matches):
            notes.append(f"{source.label}: common to both channels, and {100 * COMMON:g} % of it taken as common: "
                         f"{', '.join(dict.fromkeys(shared))}.")  # fmt: skip
    drawings = []
    for (name, unit), what in {("s21", "dB"): "Gain match |S21|", (PHASE, "°"): "Phase match of S21",
                               (f"s21, {UNPOWERED}", "dB"): f"Match of |S21|, {UNPOWERED}",
                               (f"{PHASE}, {UNPOWERED}", "°"): f"Phase match of S21, {UNPOWERED}",
                               (SHOWN, "dB"): "Gain match, small-signal gain"}.items():  # fmt: skip
        shown = [one for one in matches if one.name == name and len(one.hz) > 1]
        if shown:
            series = [_series(one) for one in shown]
            figure = Figure(f"channels-{name}", f"{what}: {shown[0].pair}", Axis("Frequency (GHz)"), Axis(f"Difference ({unit})"))
            drawings.append(draw(figure, {"": series}, style, pool, note=note))
    groups: dict[tuple[str, str, str], list[_Match]] = {}
    for one in matches:
        groups.setdefault((one.first.measurement, one.label, one.pair), []).append(one)
    return ChannelSection(
        tuple(_summary(many, several=len(sources) > 1) for many in groups.values()), tuple(_row(one) for one in matches),
        tuple(drawings), tuple(notes),
    )  # fmt: skip


def shared_parts(source: Source, first: str, second: str) -> dict[str, str]:
    """Of _PARTS those that both channels use, and which it is; empty when the bench file can't be read."""
    if source.bench is None:
        return {}
    channels = source.bench.file.wiring.channels
    if first not in channels or second not in channels:
        return {}
    a, b = channels[first], channels[second]
    names = (
        (a.input.source, b.input.source), (a.output.power_meter, b.output.power_meter),
        (a.input.path, b.input.path), (a.output.path, b.output.path),
    )  # fmt: skip
    return {part: f"{part} {mine}" for part, (mine, other) in zip(_PARTS, names, strict=True) if mine and mine == other}


def expanded_of_channels(first: Result, second: Result, shared: Sequence[str]) -> tuple[float, str]:
    """
    U (k = 2) of first less second, and why not (JCGM 100, 5.2.2: common inputs are correlated).

    Args:
        shared: Of _PARTS.
    """
    for result in (first, second):
        if not math.isfinite(result.expanded_uncertainty):
            return math.nan, f"not known: {result.uncertainty_reason or 'no reason given'}"
    if not (first.budget and second.budget):
        return math.hypot(first.expanded_uncertainty, second.expanded_uncertainty), "no budget: nothing taken as common"
    lines, names = [], []
    for side, (result, sign) in enumerate(((first, 1.0), (second, -1.0))):
        seen: dict[str, int] = {}
        for line in result.budget:
            seen[line.name] = seen.get(line.name, 0) + 1
            name = f"{line.name} {seen[line.name]}"
            lines.append(Contribution(f"{side}: {name}", line.standard_uncertainty, sign * line.sensitivity))
            names.append(name if line.name.startswith(tuple(shared)) else "")
    half = len(first.budget)
    correlations = {
        (lines[i].name, lines[j].name): COMMON**2
        for i in range(half) for j in range(half, len(lines)) if names[i] and names[i] == names[j]
    }  # fmt: skip
    return CorrelatedBudget(lines, correlations).expanded, ""


def _channel_pairs(source: Source) -> list[tuple[str, str]]:
    """The first channel with each other."""
    names = dict.fromkeys(
        [one.condition.channel for one in source.results if one.condition.channel]
        + [sweep.condition.channel for sweep in sweeps_of(source) if sweep.condition.channel]
    )
    channels = [str(name) for name in names]
    return [(channels[0], other) for other in channels[1:]] if channels else []


def _of_results(source: Source, parameters: Mapping[str, Parameter]) -> Iterator[_Match]:
    own = [one for one in source.results if not source.is_about_bench(one) and not one.is_absent]
    for a, b in _channel_pairs(source):
        shared = tuple(shared_parts(source, a, b))
        theirs = {_key(one): one for one in own if one.condition.channel == b}
        groups: dict[tuple[object, ...], list[tuple[Result, Result]]] = {}
        for one in own:
            other = theirs.get(_key(one))
            if one.condition.channel == a and other is not None:
                key = (one.measurement, one.parameter, one.qualifier, replace(one.condition, frequency_hz=None))
                groups.setdefault(key, []).append((one, other))
        for pairs in groups.values():
            first = pairs[0][0]
            pairs.sort(key=lambda pair: pair[0].condition.frequency_hz or 0.0)
            told = [expanded_of_channels(*pair, shared) for pair in pairs]
            label = parameters[first.parameter].label if first.parameter in parameters else first.parameter
            hz = [math.nan if one.condition.frequency_hz is None else one.condition.frequency_hz for one, _ in pairs]
            yield _Match(
                source.label, first, ", ".join(filter(None, [label, first.qualifier])), first.parameter, f"{a} less {b}",
                tuple(hz), tuple(one.value - other.value for one, other in pairs), tuple(u for u, _ in told),
                difference_unit(first.unit), "; ".join(dict.fromkeys(reason for _, reason in told if reason)),
            )  # fmt: skip


def _key(result: Result) -> tuple[object, ...]:
    return (
        result.measurement, result.parameter, result.qualifier, result.unit, result.plane,
        replace(result.condition, channel=None),
    )  # fmt: skip


def _of_sweeps(source: Source) -> Iterator[_Match]:
    sweeps = list(sweeps_of(source))
    for a, b in _channel_pairs(source):
        for one in (sweep for sweep in sweeps if sweep.condition.channel == a):
            same = replace(one.condition, channel=b)
            other = next((s for s in sweeps if s.measurement == one.measurement and s.condition == same), None)
            if other is None or not np.array_equal(one.hz, other.hz):
                continue
            match = channel_match(one.s[:, 1, 0], other.s[:, 1, 0])
            if isinstance(match, Absent):
                continue
            # Each channel has its own calibration: nothing is taken as common.
            expanded = np.hypot(one.expanded_db[:, 1, 0], other.expanded_db[:, 1, 0])
            state = f", {one.qualifier}" if one.qualifier else ""
            why = "" if np.isfinite(expanded).all() else NO_RESIDUALS
            unknown = np.full(len(one.hz), np.nan)
            for name, label, unit, values, u, reason in (
                (f"s21{state}", f"|S21|{state}", "dB", match.gain_difference_db, expanded, why),
                (f"{PHASE}{state}", f"Phase of S21{state}", "°", match.phase_difference_deg, unknown, NO_PHASE_BUDGET),
            ):
                yield _Match(source.label, one, label, name, f"{a} less {b}", tuple(one.hz.tolist()), tuple(values.tolist()),
                             tuple(u.tolist()), unit, reason)  # fmt: skip


def _series(match: _Match) -> Series:
    condition = replace(match.first.condition, channel=None)
    name = ", ".join(filter(None, [match.pair, where_text(condition)]))
    trace = Trace(name, np.array(match.hz) / 1e9, np.array(match.values), condition.temperature_degc, None)
    return Series(trace, match.record)


def _summary(matches: Sequence[_Match], *, several: bool) -> ChannelSummary:
    def furthest(match: _Match) -> float:
        return float(np.nanmax(np.abs(match.values)))

    worst, means = max(matches, key=furthest), [float(np.nanmean(match.values)) for match in matches]
    low, high = (matches[means.index(choose(means))] for choose in (min, max))
    row = _row(worst)
    at = ", ".join(filter(None, [row.where, row.worst_at, row.record if several else ""]))
    return ChannelSummary(
        row.measurement, row.label, row.pair, len(matches), _row(low).mean, _row(high).mean, row.worst, at, row.uncertainty,
        row.unit, _is_beyond(matches),
    )  # fmt: skip


def _is_beyond(matches: Sequence[_Match]) -> bool | None:
    pairs = [
        (abs(value), expanded)
        for match in matches for value, expanded in zip(match.values, match.expanded, strict=True)
        if math.isfinite(value) and math.isfinite(expanded) and expanded > 0
    ]  # fmt: skip
    return any(value > expanded for value, expanded in pairs) if pairs else None


def _row(match: _Match) -> ChannelRow:
    values = np.array(match.values)
    there = np.flatnonzero(np.isfinite(values))
    worst = int(there[np.argmax(np.abs(values[there]))])
    expanded = match.expanded[worst]
    known = math.isfinite(expanded) and expanded > 0
    # Currents and delays are small numbers: milli and nano, as the sheet prints them.
    scale, unit = {"A": (1e3, "mA"), "V": (1e3, "mV"), "s": (1e9, "ns")}.get(match.unit, (1.0, match.unit))

    def text(value: float) -> str:
        if known:
            return fixed(value * scale, decimals_for(expanded * scale), signed=True)
        return f"+{plain(value * scale, 3)}" if value > 0 else plain(value * scale, 3)

    hz = match.hz[worst]
    return ChannelRow(
        match.record, match.first.measurement, match.label, match.pair,
        where_text(replace(match.first.condition, channel=None, frequency_hz=None)), len(there),
        text(float(values[there].mean())), text(float(values[worst])), "" if math.isnan(hz) else gigahertz(hz),
        fixed(expanded * scale, decimals_for(expanded * scale)) if known else "", unit, match.reason,
    )  # fmt: skip
