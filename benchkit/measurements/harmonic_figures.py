"""Carrier and harmonics against drive, as plots."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from benchkit.measurements.grouping import condition_of, told_apart
from benchkit.measurements.harmonic_results import CARRIER, HarmonicConventions, drives_of, each_with_lines, judged_levels
from benchkit.measurements.spectrum_figures import condition_name
from benchkit.results.figure import Axis, Figure, Trace

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["harmonic_figures"]


def harmonic_figures(
    title: str, points: pd.DataFrame, lines: pd.DataFrame, conventions: HarmonicConventions
) -> list[Figure]:
    """Carrier and harmonics against drive, in dBm and in dBc; what has no number is not drawn."""
    choices: dict[str, list[Trace]] = {}
    relative: dict[str, list[Trace]] = {}
    for rows, own in each_with_lines(points, lines):
        condition = condition_of(rows)
        where = f"{(condition.frequency_hz or 0.0) / 1e9:.6g} GHz"
        drives = drives_of(own, every=True)
        levels = judged_levels(own, conventions)
        x, carrier = np.array(drives), np.array(levels[1])
        for n, values in levels.items():
            part, y = CARRIER if n == 1 else f"harmonic {n}", np.array(values)
            line = Trace(condition_name(condition, part), x, y, condition.temperature_degc, condition.channel, part=part)
            choices.setdefault(where, []).append(line)
            if n > 1:
                relative.setdefault(where, []).append(replace(line, y=y - carrier))
    drive = Axis("Input power at device input (dBm)")
    figures = []
    for key, what, unit, found in (
        ("harmonics", "Carrier and harmonics against drive", "Level at device output (dBm)", choices),
        ("harmonics relative", "Harmonics below the carrier against drive", "Level relative to the carrier (dBc)", relative),
    ):
        if found:
            figures.append(
                Figure(
                    key=f"{title}: {key}", title=what, x=drive, y=Axis(unit),
                    choices={name: told_apart(traces) for name, traces in sorted(found.items())}, choice_label="Frequency",
                    caption="Only what stands above the noise and is not the analyser's own.",
                )
            )  # fmt: skip
    return figures
