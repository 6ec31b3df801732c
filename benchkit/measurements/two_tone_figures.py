"""What a two-tone measurement plots: levels against drive, intercept points against drive, over frequency and over spacing."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from benchkit.measurements.grouping import condition_of, each_ladder, told_apart
from benchkit.measurements.tone_rows import LineLadder, line_ladder
from benchkit.measurements.two_tone_results import ToneConventions
from benchkit.results.absent import Absent
from benchkit.results.figure import Axis, Figure, Trace
from benchkit.results.intercept import ProductOrder, intercept_point
from benchkit.results.result import Result, ResultCondition

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["two_tone_figures"]

DRIVE = Axis("Input power of each tone at device input (dBm)")
FREQUENCY = Axis("Middle frequency (GHz)")

Choices = dict[str, list[Trace]]


def two_tone_figures(
    title: str, points: pd.DataFrame, lines: pd.DataFrame, results: list[Result], conventions: ToneConventions
) -> list[Figure]:
    """
    Args:
        points: Of this measurement, finished ladders.
        lines: Its rows of the stream "tones".
        results: What was summed up from them.
    """
    levels: Choices = {}
    against: dict[ProductOrder, Choices] = {order: {} for order in conventions.orders}
    by_ladder = dict(iter(lines.groupby("ladder")))
    for rows in each_ladder(points):
        own = by_ladder.get(int(rows["ladder"].to_numpy()[0]))
        read = None if own is None else line_ladder(own, conventions.attenuation_db)
        if read is None:
            continue
        condition = condition_of(rows)
        where = f"{(condition.frequency_hz or 0.0) / 1e9:.6g} GHz, {read.spacing_hz / 1e6:.6g} MHz apart"
        _levels(levels, where, condition, read, conventions)
        for order in conventions.orders:
            against[order].setdefault(where, []).extend(_intercepts(condition, read, order))
    figures = [
        Figure(
            key=f"{title}: levels", title="Tones and products against drive", x=DRIVE, y=Axis("Level at device output (dBm)"),
            choices=_sorted(levels), choice_label="Frequency, spacing and side",
            caption="Line: the tone of that side; line with marks: its products; marks: noise in the resolution bandwidth.",
        )
    ]  # fmt: skip
    for order, choices in against.items():
        figures.append(
            Figure(
                key=f"{title}: oip{order} against drive", title=f"Output intercept point of order {order} against drive", x=DRIVE,
                y=Axis(f"OIP{order} at device output (dBm)"), choices=_sorted(choices), choice_label="Frequency and spacing",
                caption="Every point by itself, those outside the back-off and near the noise among them: only where it is level "
                "does an intercept point mean anything. Line: lower product; marks: upper product.",
            )
        )  # fmt: skip
    figures += _over_frequency(title, results, conventions)
    return [figure for figure in figures if figure.traces or figure.choices]


def _name(condition: ResultCondition, what: str = "") -> str:
    temperature = "" if condition.temperature_degc is None else f"{condition.temperature_degc:+g} °C, "
    return f"{temperature}channel {condition.channel}, {condition.supply_voltage_v:g} V" + (f", {what}" if what else "")


def _levels(choices: Choices, where: str, condition: ResultCondition, read: LineLadder, conventions: ToneConventions) -> None:
    for side in ("lower", "upper"):
        traces = choices.setdefault(f"{where}, {side} side", [])
        shown = [("tone", f"{side} tone", "lines")]
        shown += [(f"IM{order}", f"{side} IM{order}", "lines+markers") for order in conventions.orders]
        for what, line, mode in shown:
            traces.append(
                Trace(
                    _name(condition, what), read.drive_dbm, read.levels_dbm[line], condition.temperature_degc, condition.channel,
                    "lines" if mode == "lines" else "lines+markers", what,
                )
            )  # fmt: skip
        traces.append(
            Trace(
                _name(condition, "noise"),
                read.drive_dbm,
                read.noise_dbm,
                condition.temperature_degc,
                condition.channel,
                "markers",
                "noise",
            )
        )


def _intercepts(condition: ResultCondition, read: LineLadder, order: ProductOrder) -> list[Trace]:
    columns = [read.levels_dbm[name] for name in ("lower tone", "upper tone", f"lower IM{order}", f"upper IM{order}")]
    points = [intercept_point(*(float(level) for level in levels), order=order) for levels in zip(*columns, strict=True)]
    lower = np.array([np.nan if isinstance(point, Absent) else point.lower_dbm for point in points])
    upper = np.array([np.nan if isinstance(point, Absent) else point.upper_dbm for point in points])
    degc, channel = condition.temperature_degc, condition.channel
    return [
        Trace(_name(condition, "lower"), read.drive_dbm, lower, degc, channel, "lines", "lower"),
        Trace(_name(condition, "upper"), read.drive_dbm, upper, degc, channel, "markers", "upper"),
    ]


def _over_frequency(title: str, results: list[Result], conventions: ToneConventions) -> list[Figure]:
    figures = []
    names = [f"oip{order}" for order in conventions.orders] + ["oip3_above_p1db"]
    for name in names:
        choices: Choices = {}
        chosen = [
            one for one in results if one.parameter == name and one.condition.frequency_hz is not None and not one.is_absent
        ]
        groups: dict[tuple[str, str], list[Result]] = {}
        for one in chosen:
            groups.setdefault((one.qualifier, _name(one.condition)), []).append(one)
        for (qualifier, label), many in groups.items():
            many.sort(key=lambda one: one.condition.frequency_hz or 0.0)
            condition = many[0].condition
            x = np.array([(one.condition.frequency_hz or 0.0) / 1e9 for one in many])
            y = np.array([one.value for one in many])
            choices.setdefault(qualifier, []).append(Trace(label, x, y, condition.temperature_degc, condition.channel))
        if not choices:
            continue
        is_difference = name == "oip3_above_p1db"
        what = "OIP3 above P1dB" if is_difference else f"{name.upper()} at device output"
        figures.append(
            Figure(
                key=f"{title}: {name}", title=f"{what} over frequency", x=FREQUENCY,
                y=Axis(f"{what} ({'dB' if is_difference else 'dBm'})"),
                choices={choice: tuple(traces) for choice, traces in choices.items()}, choice_label="Back-off",
                caption="Absent where the products are off their slope, near the noise or not the device's own; the table says "
                "why.",
            )
        )  # fmt: skip
    return figures


def _sorted(choices: Choices) -> dict[str, tuple[Trace, ...]]:
    ascending = sorted(choices.items(), key=lambda item: (float(item[0].split()[0]), item[0]))
    return {name: told_apart(traces) for name, traces in ascending}
