"""What a compression measurement plots: everything a data sheet's first pages show of it."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchkit.measurements.grouping import condition_of, each_ladder, repeats_text
from benchkit.results.figure import Axis, Figure, Trace
from benchkit.results.result import Result, ResultCondition

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["compression_figures"]

FREQUENCY = Axis("Frequency (GHz)")
DRIVE = Axis("Input power at device input (dBm)")
OUTPUT = Axis("Output power at device output (dBm)")
# Of a point, what is drawn.
_DRAWN = ("input_dbm", "output_dbm", "gain_db", "pae_percent", "drain_current_a", "detector_v", "reference_v")

Ladders = list[tuple[ResultCondition, "pd.DataFrame"]]
Columns = Callable[["pd.DataFrame"], tuple[NDArray[np.float64], NDArray[np.float64]]]


def compression_figures(title: str, points: pd.DataFrame, results: list[Result]) -> list[Figure]:
    """
    Figures of one measurement.

    Args:
        title: The measurement's name; part of each figure's key.
        points: Its finished ladders.
        results: What was summed up from them.
    """
    repeats: dict[ResultCondition, list[pd.DataFrame]] = {}
    for rows in each_ladder(points):
        repeats.setdefault(condition_of(rows), []).append(rows)
    ladders = [(condition, _mean(many)) for condition, many in repeats.items()]
    told = repeats_text([len(many) for many in repeats.values()])
    figures = [
        _over_frequency(
            f"{title}: small-signal gain", "small_signal_gain",
            "Small-signal gain over frequency", Axis("Gain, device input to device output (dB)"), results,
        ),
        _over_frequency(
            f"{title}: p1db", "p1db", "Output power at 1 dB compression over frequency",
            Axis("P1dB at device output (dBm)"), results,
        ),
        _over_frequency(
            f"{title}: pae at p1db", "pae_p1db", "Power-added efficiency at P1dB over frequency",
            Axis("PAE at P1dB (%)"), results,
        ),
        _by_frequency(
            f"{title}: gain", "Gain against drive", DRIVE, Axis("Gain, device input to device output (dB)"), ladders,
            _columns("input_dbm", "gain_db"),
        ),
        _by_frequency(
            f"{title}: output", "Output power against drive", DRIVE, OUTPUT, ladders, _columns("input_dbm", "output_dbm")
        ),
        _by_frequency(
            f"{title}: pae", "Power-added efficiency against output power", OUTPUT, Axis("PAE (%)"), ladders,
            _columns("output_dbm", "pae_percent"),
        ),
        _by_frequency(
            f"{title}: drain current", "Drain current against output power", OUTPUT, Axis("Drain current at drain pin (mA)"),
            ladders, _milliamperes,
        ),
    ]  # fmt: skip
    if np.isfinite(points["detector_v"].to_numpy(dtype=float)).any():
        figures.append(
            _by_frequency(
                f"{title}: detector", "Detector voltage against output power", OUTPUT,
                Axis("Detector minus reference (V)", scale="log"), ladders, _difference,
            )
        )  # fmt: skip
    return [replace(figure, caption=told) for figure in figures if figure.traces or figure.choices]


def _mean(repeats: Sequence[pd.DataFrame]) -> pd.DataFrame:
    """Level by level, as far as every repeat went: of fewer repeats the line would jump where one ended."""
    if len(repeats) == 1:
        return repeats[0]
    steps = [rows[list(_DRAWN)].set_axis(rows["step"].to_numpy(), axis="index") for rows in repeats]
    shared = sorted(set.intersection(*(set(rows.index) for rows in steps)))
    return sum((rows.loc[shared] for rows in steps[1:]), steps[0].loc[shared]) / len(steps)


def _columns(x: str, y: str) -> Columns:
    def read(rows: pd.DataFrame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        return rows[x].to_numpy(dtype=np.float64), rows[y].to_numpy(dtype=np.float64)

    return read


def _milliamperes(rows: pd.DataFrame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    output, current = _columns("output_dbm", "drain_current_a")(rows)
    return output, 1e3 * current


def _difference(rows: pd.DataFrame) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    output, detector = _columns("output_dbm", "detector_v")(rows)
    reference = rows["reference_v"].to_numpy(dtype=np.float64)
    difference = detector if np.isnan(reference).all() else detector - reference
    # A log axis has no place for what is not above zero.
    return output, np.where(difference > 0, difference, np.nan)


def _label(condition: ResultCondition, supplies: int) -> str:
    parts = [] if condition.temperature_degc is None else [f"{condition.temperature_degc:+g} °C"]
    parts.append(f"channel {condition.channel}")
    if supplies > 1:
        parts.append(f"{condition.supply_voltage_v:g} V")
    return ", ".join(parts)


def _supplies(conditions: Iterable[ResultCondition]) -> int:
    return len({condition.supply_voltage_v for condition in conditions})


def _over_frequency(key: str, parameter: str, title: str, y: Axis, results: list[Result]) -> Figure:
    chosen = [r for r in results if r.parameter == parameter and r.condition.frequency_hz is not None]
    supplies = _supplies(result.condition for result in chosen)
    lines: dict[str, list[Result]] = {}
    for result in chosen:
        lines.setdefault(_label(result.condition, supplies), []).append(result)
    traces = []
    for name, members in lines.items():
        ordered = sorted(members, key=lambda result: result.condition.frequency_hz or 0.0)
        condition = ordered[0].condition
        traces.append(
            Trace(
                name=name,
                x=np.array([(r.condition.frequency_hz or 0.0) / 1e9 for r in ordered]),
                y=np.array([r.value for r in ordered]),
                temperature_degc=condition.temperature_degc,
                channel=condition.channel,
            )
        )
    return Figure(key=key, title=title, x=FREQUENCY, y=y, traces=tuple(traces))


def _by_frequency(key: str, title: str, x: Axis, y: Axis, ladders: Ladders, read: Columns) -> Figure:
    """One choice per frequency: all conditions at once are more lines than an eye can follow."""
    choices: dict[str, list[Trace]] = {}
    supplies = _supplies(condition for condition, _ in ladders)
    for condition, rows in ladders:
        xs, ys = read(rows)
        choice = f"{(condition.frequency_hz or 0.0) / 1e9:.6g} GHz"
        choices.setdefault(choice, []).append(
            Trace(
                name=_label(condition, supplies), x=xs, y=ys,
                temperature_degc=condition.temperature_degc, channel=condition.channel,
            )
        )
    ascending = sorted(choices.items(), key=lambda item: float(item[0].split()[0]))
    return Figure(
        key=key, title=title, x=x, y=y, choices={name: tuple(traces) for name, traces in ascending},
        choice_label="Frequency",
    )  # fmt: skip
