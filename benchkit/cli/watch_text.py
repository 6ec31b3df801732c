"""What `watch` shows, as plain lines: the whole view, and what changed since the last one."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime

from benchkit.campaign.view import LadderView, View
from benchkit.cli.overview_text import duration

__all__ = ["changes", "plot_lines", "view_lines"]

PLOT_WIDTH, PLOT_HEIGHT = 56, 11
GAIN, OUTPUT, BOTH = "+", "o", "#"
# A run that has written nothing for so long is worth a word.
SILENT_S = 60.0
BAR = 30
PROGRESS_STEPS = 10


def view_lines(view: View, *, plot: bool = True) -> Iterator[str]:
    """The whole view."""
    head = " ".join(text for text in (view.part, view.unit) if text)
    yield f"{head}  {view.sequence}{'  (simulated)' if view.is_simulated else ''}"
    yield f"state    {_state(view)}"
    yield f"progress {_progress(view)}"
    if view.bias is not None:
        bias = view.bias
        # Once it is off, what was read before says nothing of how it stands.
        reading = "" if bias.is_off else (
            f", gate {bias.gate_voltage_v:+.3f} V, drain {bias.drain_voltage_v:.3f} V, {bias.drain_current_a * 1e3:.4g} mA"
        )
        yield f"part     {bias.state}: channel {bias.channel}{reading}"
    temperatures = [
        f"{name} {value:+.2f} degC"
        for name, value in (("set", view.set_degc), ("air", view.air_degc), ("case", view.case_degc))
        if not math.isnan(value)
    ]
    if temperatures:
        yield f"chamber  {', '.join(temperatures)}"
    if view.ladder is not None:
        yield f"ladder   {_ladder(view.ladder)}"
        if plot:
            yield from plot_lines(view.ladder)
    for event in view.events:
        mark = "" if event.severity == "info" else f"{event.severity.upper()} "
        yield f"{_time(event.time_s)} {mark}{event.kind}: {event.text}"


def changes(before: View | None, now: View) -> Iterator[str]:
    """A line for each thing that is new; the first time, where it stands."""
    if before is None:
        yield from view_lines(now, plot=False)
        return
    old = set(before.events)
    for event in now.events:
        if event not in old:
            mark = "" if event.severity == "info" else f"{event.severity.upper()} "
            yield f"{_time(event.time_s)} {mark}{event.kind}: {event.text}"
    if now.bias is not None and (before.bias is None or _where(before) != _where(now)):
        current = "" if now.bias.is_off else f", {now.bias.drain_current_a * 1e3:.4g} mA"
        yield f"part {now.bias.state}: channel {now.bias.channel}{current}"
    if now.set_degc == now.set_degc and now.set_degc != before.set_degc:
        yield f"chamber to {now.set_degc:+g} degC, air {now.air_degc:+.1f} degC"
    if now.ladder is not None and now.ladder.status and (before.ladder is None or _which(before) != _which(now)):
        yield f"ladder {_ladder(now.ladder)}"
    if _step(now) != _step(before):
        yield _progress(now)
    is_silent_now = now.silent_s >= SILENT_S and not before.silent_s >= SILENT_S
    if is_silent_now or (now.state, now.account) != (before.state, before.account):
        yield _state(now)


def plot_lines(ladder: LadderView) -> list[str]:
    """Gain and output power against input power, each on an axis of its own; empty when there is nothing to plot."""
    points = [
        (x, gain, out)
        for x, gain, out in zip(ladder.input_dbm, ladder.gain_db, ladder.output_dbm, strict=True)
        if not (math.isnan(x) or math.isnan(gain) or math.isnan(out))
    ]
    if not points:
        return []
    inputs, gains, outputs = (list(values) for values in zip(*points, strict=True))
    grid = [[" "] * PLOT_WIDTH for _ in range(PLOT_HEIGHT)]
    for values, mark in ((outputs, OUTPUT), (gains, GAIN)):
        for x, value in zip(inputs, values, strict=True):
            column, row = _cell(x, inputs, PLOT_WIDTH), PLOT_HEIGHT - 1 - _cell(value, values, PLOT_HEIGHT)
            grid[row][column] = mark if grid[row][column] in (" ", mark) else BOTH
    lines = [f"{'gain dB':>9} {GAIN}{'':{PLOT_WIDTH - 12}}{OUTPUT} output dBm"]
    for number, cells in enumerate(grid):
        left, right = "", ""
        if number in (0, PLOT_HEIGHT - 1):
            ends = (max(gains), max(outputs)) if number == 0 else (min(gains), min(outputs))
            left, right = f"{ends[0]:.2f}", f"{ends[1]:.2f}"
        lines.append(f"{left:>9} |{''.join(cells)}| {right}".rstrip())
    axis = f"{min(inputs):+.2f}"
    lines.append(f"{'':10}{axis}{f'input {max(inputs):+.2f} dBm':>{PLOT_WIDTH + 2 - len(axis)}}")
    return lines


def _cell(value: float, values: Sequence[float], cells: int) -> int:
    low, high = min(values), max(values)
    return 0 if high == low else round((value - low) / (high - low) * (cells - 1))


def _state(view: View) -> str:
    if view.state == "sealed":
        return f"sealed: {view.outcome}: {view.message}"
    if view.account:
        return f"ENDED BY THE GUARDIAN: {view.account}"
    if view.silent_s >= SILENT_S:
        return f"running or killed: nothing new for {duration(view.silent_s)}; is the run's process alive?"
    return "running"


def _progress(view: View) -> str:
    part = _part(view)
    bar = "" if not view.planned_points else f"[{'=' * round(BAR * part):<{BAR}}] {100 * part:.0f} %, "
    spared = view.behind - view.points
    text = f"{bar}{view.points} of {view.planned_points or '?'} points" + (f" ({spared} not needed)" if spared else "")
    text += f", {view.ladders} ladders done, {duration(view.elapsed_s)} so far"
    return text if view.is_over or math.isnan(view.left_s) else f"{text}, about {duration(view.left_s)} left"


def _part(view: View) -> float:
    return min(1.0, view.behind / view.planned_points) if view.planned_points else 0.0


def _step(view: View) -> int:
    return int(_part(view) * PROGRESS_STEPS)


def _ladder(ladder: LadderView) -> str:
    at = "" if math.isnan(ladder.temperature_set_degc) else f"{ladder.temperature_set_degc:+g} degC, "
    text = f"{ladder.number}: {at}channel {ladder.channel}, {ladder.frequency_hz / 1e9:.9g} GHz, {len(ladder.input_dbm)} points"
    if ladder.gain_db and not math.isnan(ladder.gain_db[-1]):
        text += f", gain {ladder.gain_db[-1]:.2f} dB, output {ladder.output_dbm[-1]:+.2f} dBm"
    return text + (f", {ladder.status}" if ladder.status else "") + (f" ({ladder.stop_reason})" if ladder.stop_reason else "")


def _where(view: View) -> tuple[object, ...]:
    # `driven` and `biased` alternate with every ladder; to be told of each would be noise.
    assert view.bias is not None, "asked only then"
    state = "biased" if view.bias.state == "driven" else view.bias.state
    return state, view.bias.channel, view.bias.supply_voltage_set_v


def _which(view: View) -> tuple[object, ...]:
    assert view.ladder is not None, "asked only then"
    return view.ladder.number, view.ladder.status


def _time(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).strftime("%H:%M:%S")
