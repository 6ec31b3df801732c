"""The test conditions that stand over a data sheet's tables: what was set, over what it was swept, on what and when."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from benchkit.files.axis import Axis
from benchkit.quantities.format import format_quantity
from benchkit.report.digits import MINUS, celsius, clock_time, gigahertz, plain
from benchkit.report.source import Source
from benchkit.sequence.model import SequenceFile

__all__ = ["conditions_of"]

# More values than this are told by their ends and their number.
MOST_NAMED = 6


def conditions_of(sources: Sequence[Source]) -> list[tuple[str, str]]:
    """
    Each condition and its value, in the order a data sheet states them; where records differ, each difference with its unit.

    What was asked for stands in the stored sequence; a record whose sequence cannot be read has none of these lines.
    """
    found: dict[str, dict[str, list[str]]] = {}
    for source in sources:
        for name, text in _of(source):
            found.setdefault(name, {}).setdefault(text, []).append(source.label)
    rows = []
    for name, texts in found.items():
        alike = len(texts) == 1 and sum(map(len, texts.values())) == len(sources)
        told = [text if alike or name == "Unit" else f"{text} ({', '.join(labels)})" for text, labels in texts.items()]
        rows.append((name, "; ".join(told)))
    return rows


def _of(source: Source) -> list[tuple[str, str]]:
    rows = [] if source.sequence is None else [*_asked(source.sequence.file), *_found(source, source.sequence.file)]
    begun = "not stated" if source.started_s != source.started_s else clock_time(source.started_s)
    simulated = {True: "simulated, ", False: "", None: "origin not stated, "}[source.is_simulated]
    return [*rows, ("Unit", source.label), ("Bench", source.text("bench_name")), ("Date", f"{simulated}{begun}")]


def _asked(file: SequenceFile) -> list[tuple[str, str]]:
    conditions, bias = file.conditions, file.bias
    temperature = conditions.temperature
    # What is done before the first condition is no condition of the part.
    measured = [block for block in file.measurements if block.ladder_count() and block.frequency_span_hz() is not None]
    swept: list[tuple[str, str]] = []
    for block in measured:
        span, drive = block.frequency_span_hz(), block.drive_span_dbm()
        assert span is not None, "chosen above"
        frequency, level = _range(*span, gigahertz), "" if drive is None else _range(*drive, lambda value: f"{plain(value)} dBm")
        level = " ".join(filter(None, [level, block.drive_text()]))
        if len(measured) == 1:
            swept += [("Frequency", frequency), ("Input level", level)]
        else:
            swept.append((block.title[:1].upper() + block.title[1:], f"{frequency}, {f'input {level}' if level else 'undriven'}"))
    rows = [
        ("Supply voltage VDD", _listed(conditions.supply_voltage_v, lambda value: f"{plain(value)} V")),
        (
            "Quiescent current IDQ",
            f"{_quantity(bias.quiescent_current_a, 'A')} ± {_quantity(bias.tolerance_a, 'A')} by gate trim, {bias.retrim}",
        ),
        (
            "Temperature",
            "not set: no chamber" if temperature is None else _listed(temperature.values_degc, celsius),
        ),
        *swept,
        ("Channel", ", ".join(conditions.channels or file.device.channels)),
    ]
    return [(name, text) for name, text in rows if text]


def _found(source: Source, file: SequenceFile) -> list[tuple[str, str]]:
    """What was so meanwhile, whether it was asked for or not."""
    rows = [
        ("Device's planes", file.device.plane), ("Case temperature", _case(source)), ("Other channels", _others(source, file)),
    ]  # fmt: skip
    return [(name, text) for name, text in rows if text]


def _case(source: Source) -> str:
    """Lowest and highest of all points, by the temperature set: a soak ends within a tolerance, and a driven part is warmer."""
    points = source.streams.points
    if "case_degc" not in points:
        return ""
    told = []
    for degc, case in points["case_degc"].groupby(points["temperature_set_degc"], dropna=False):
        if case.notna().any():
            low, high = (f"{one:.1f}".replace("-", MINUS) for one in (float(case.min()), float(case.max())))
            whole = f"{low} °C" if low == high else f"{low} °C to {high} °C"
            set_degc = float(str(degc))
            told.append(whole if set_degc != set_degc else f"{whole} at {celsius(set_degc)}")
    return ", ".join(told)


def _others(source: Source, file: SequenceFile) -> str:
    """One channel is biased at a time; where a drain's output is common to several, the gates of the others hold them off."""
    channels = list(file.device.channels)
    if source.bench is None or len(channels) < 2:
        return ""
    wiring = source.bench.file.wiring.channels
    outputs = {
        name: {(pin.supply, pin.channel) for pin in wiring[name].drains} for name in channels if name in wiring
    }  # fmt: skip
    is_shared = any(outputs[a] & outputs[b] for a in outputs for b in outputs if a < b)
    state = "their drain's output is common and on, their gates at pinch-off" if is_shared else "the others unpowered"
    return f"one channel is biased at a time, {state}"


def _range(low: float, high: float, text: Callable[[float], str]) -> str:
    return text(low) if low == high else f"{text(low)} to {text(high)}"


def _listed(axis: Axis, text: Callable[[float], str]) -> str:
    """Each value once, in the order of the sequence; of a long axis its ends: it may have a million."""
    if len(axis) <= MOST_NAMED:
        return ", ".join(dict.fromkeys(map(text, axis)))
    return f"{text(axis.minimum)} to {text(axis.maximum)}, {len(axis)} values"


def _quantity(value: float, unit: str) -> str:
    return format_quantity(value, unit).replace("-", MINUS)
