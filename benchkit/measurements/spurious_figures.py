"""The search for spurious lines as a plot: each spectrum with the mask that it is held against."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from benchkit.measurements.grouping import told_apart
from benchkit.measurements.harmonic_results import qualifier_of
from benchkit.measurements.spectrum_figures import condition_name, spectrum_axes, spectrum_traces
from benchkit.measurements.spurious_results import SearchConventions, each_search, kept_out
from benchkit.results.figure import Figure, Trace

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["spurious_figures"]

# Two masks nearer than this are one line in a plot of many decibels.
SEEN_DB = 0.1


def spurious_figures(
    title: str, points: pd.DataFrame, traces: pd.DataFrame, lines: pd.DataFrame, conventions: SearchConventions
) -> list[Figure]:
    """Each search with its mask; broken where the guards are."""
    choices: dict[str, list[Trace]] = {}
    for condition, found in each_search(points, traces, lines, conventions):
        where = f"{found.carrier_hz / 1e9:.6g} GHz, {qualifier_of(found.drive_dbm)}"
        drawn = choices.setdefault(where, [])
        drawn += spectrum_traces(found.trace, condition, condition_name(condition))
        x = found.trace.frequency_hz / 1e9
        out = kept_out(found.trace, found.carrier_hz, conventions)
        mask = np.where(out, np.nan, found.mask_dbm)
        name = condition_name(condition, "mask")
        # Of repeats it is the same, unless it is counted from a carrier that came out otherwise, by what an eye can see.
        if not any(one.name == name and np.allclose(one.y, mask, rtol=0, atol=SEEN_DB, equal_nan=True) for one in drawn):
            drawn.append(Trace(name, x, mask, condition.temperature_degc, condition.channel, "lines", "mask"))
    if not choices:
        return []
    x_axis, y_axis = spectrum_axes()
    return [
        Figure(
            key=f"{title}: search", title="Spectrum with mask", x=x_axis, y=y_axis,
            choices={name: told_apart(drawn) for name, drawn in sorted(choices.items())}, choice_label="Carrier and drive",
            caption="Highest level of each interval. The mask is broken where nothing counts: around the carrier, and around its "
            "harmonics if these are left out.",
        )
    ]  # fmt: skip
