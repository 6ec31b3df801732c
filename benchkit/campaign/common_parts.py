"""
What two records have in common can't make them differ: how much of each result's uncertainty that is.

Common is an instrument with one identity and one calibration date, a path with one table, and a calibration kit of one name that
is stated to be as good. Of what such a part contributes COMMON is taken as common; the rest stands for what two days do not share
(room temperature, slow drift, a connector opened and closed). Common practice, no source; the table of agreement says it.

How much of a result's uncertainty comes from a part is not asked of each kind of measurement: the points' standard
uncertainties are lowered by the common parts and the results summed up again; and where a budget names the spectrum analyser, the
path to it or the calibration kit, which no point's column holds, that line is lowered. What a budget draws from elsewhere counts
as not common, which overstates no agreement but the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from benchkit.bench.load import Bench
from benchkit.bench.model import PowerMeterSettings, SourceSettings
from benchkit.bench.paths import LossPath
from benchkit.campaign.setup import Setup, path_digest
from benchkit.campaign.summary import summarise
from benchkit.measurements.calibration import VectorCalibration
from benchkit.results.result import Result
from benchkit.results.uncertainty import Budget

__all__ = ["COMMON", "Shared", "own_results", "shared_between"]

COMMON = 0.9
"""Part of the standard uncertainty of a common instrument or path that both records share."""

SQRT3 = math.sqrt(3.0)
Key = tuple[str, str]


class Shared:
    """
    What two setups share.

    Attributes:
        pairs: By channel and place (source, meter, input path, calibration kit, drain, ...) what is common: names to tell.
    """

    def __init__(self, pairs: Mapping[Key, str]) -> None:
        self.pairs = dict(pairs)

    def has(self, channel: str, place: str) -> bool:
        return (channel, place) in self.pairs

    def names(self) -> list[str]:
        """For the reader: each once."""
        return list(dict.fromkeys(self.pairs.values()))


def shared_between(first: Setup, second: Setup) -> Shared:
    """Empty when one of the bench files can't be read."""
    if first.bench is None or second.bench is None:
        return Shared({})
    pairs: dict[Key, str] = {}
    ours, theirs = first.bench.file.wiring.channels, second.bench.file.wiring.channels
    for channel in [name for name in ours if name in theirs]:
        a, b = ours[channel], theirs[channel]
        for place, mine, other in (
            ("source", (a.input.source,), (b.input.source,)),
            ("meter", (a.output.power_meter,), (b.output.power_meter,)),
            ("analyser", _named(a.output.analyser), _named(b.output.analyser)),
            ("drain", tuple(pin.supply for pin in a.drains), tuple(pin.supply for pin in b.drains)),
            ("gate", tuple(pin.supply for pin in a.gates), tuple(pin.supply for pin in b.gates)),
        ):
            if mine and len(mine) == len(other) and all(
                _is_one(first.instruments.get(x, {}), second.instruments.get(y, {})) for x, y in zip(mine, other, strict=True)
            ):
                serials = {first.instruments[x].get("serial", "") for x in mine}
                pairs[channel, place] = f"{', '.join(dict.fromkeys(mine))} (serial {', '.join(sorted(serials))})"
        for place, my_name, other_name in (
            ("input path", a.input.path, b.input.path),
            ("output path", a.output.path, b.output.path),
            ("analyser path", a.output.analyser_path, b.output.analyser_path),
        ):
            if my_name is None or other_name is None:
                continue
            mine_path, other_path = first.bench.paths[my_name], second.bench.paths[other_name]
            if path_digest(mine_path) == path_digest(other_path):
                pairs[channel, place] = f"path {mine_path.name} (SHA-256 {path_digest(mine_path)})"
        if kit := _one_kit(first, second):
            pairs[channel, "calibration kit"] = kit
    return Shared(pairs)


def _one_kit(first: Setup, second: Setup) -> str:
    """The calibration kit of both, in words; "": it is not known to be one. Within one record it is."""
    kits = [
        [block.kit for block in setup.sequence.file.measurements if isinstance(block, VectorCalibration)]
        for setup in (first, second)
        if setup.sequence is not None
    ]
    if len(kits) != 2 or not all(kits) or kits[0][0] != kits[1][0]:
        return ""
    name = kits[0][0].name
    return f"calibration kit {name}".strip() if name or first is second else ""


def _named(name: str | None) -> tuple[str, ...]:
    return () if name is None else (name,)


def _is_one(first: Mapping[str, str], second: Mapping[str, str]) -> bool:
    """One instrument, and not adjusted in between: a calibration may have moved it."""
    return bool(first.get("serial")) and all(
        first.get(key, "") == second.get(key, "") for key in ("maker", "model", "serial", "calibrated")
    )


def own_results(
    setup: Setup,
    points: pd.DataFrame,
    ladders: pd.DataFrame,
    shared: Shared,
    streams: Mapping[str, pd.DataFrame] | None = None,
) -> tuple[list[Result], list[str]]:
    """
    The results once more, with what the common parts contribute lowered to the part that is not common.

    Returns:
        Results, and where the points' uncertainties are not made of what the bench file says, so that nothing was lowered.
    """
    if setup.sequence is None or setup.bench is None or not shared.pairs:
        return [], []
    points = points.copy()
    kept: list[str] = []
    for channel in dict.fromkeys(points["channel"]):
        if channel not in setup.bench.file.wiring.channels:
            continue
        rows = (points["channel"] == channel).to_numpy()
        _lower_levels(points, rows, str(channel), setup.bench, shared, kept)
        for place, columns in (("drain", ("u_drain_voltage_v", "u_drain_current_a")), ("gate", ("u_gate_voltage_v",))):
            if shared.has(str(channel), place):
                for column in columns:
                    if column in points:
                        points.loc[rows, column] *= math.sqrt(1.0 - COMMON**2)
    return [_lower_lines(result, shared) for result in summarise(setup.sequence, points, ladders, streams)], kept


# How the lines of a budget begin that a part makes, and no column of the points holds.
LINES = {
    "analyser": ("spectrum analyser's level", "analyser's level"),
    "analyser path": ("path from the device to the analyser",),
    "calibration kit": ("calibration kit: ",),
}


def _lower_lines(result: Result, shared: Shared) -> Result:
    channel = result.condition.channel or ""
    names = tuple(name for place, many in LINES.items() if shared.has(channel, place) for name in many)
    if not names or not any(line.name.startswith(names) for line in result.budget):
        return result
    lines = [
        replace(line, standard_uncertainty=line.standard_uncertainty * math.sqrt(1.0 - COMMON**2))
        if line.name.startswith(names) else line
        for line in result.budget
    ]  # fmt: skip
    return replace(result, budget=tuple(lines), expanded_uncertainty=Budget(lines).expanded)


def _lower_levels(
    points: pd.DataFrame, rows: NDArray[np.bool_], channel: str, bench: Bench, shared: Shared, kept: list[str]
) -> None:
    wiring = bench.file.wiring.channels[channel]
    source, meter = bench.file.instruments[wiring.input.source], bench.file.instruments[wiring.output.power_meter]
    sides: Sequence[tuple[str, str, str, float, LossPath]] = []
    if isinstance(source, SourceSettings) and isinstance(meter, PowerMeterSettings):
        sides = (
            ("u_input_db", "source", "input path", source.level_accuracy_db / SQRT3, bench.paths[wiring.input.path]),
            ("u_output_db", "meter", "output path", meter.accuracy_db / SQRT3, bench.paths[wiring.output.path]),
        )
    for column, instrument, path_place, of_instrument, path in sides:
        common = (shared.has(channel, instrument), shared.has(channel, path_place))
        if column not in points or not any(common):
            continue
        stated = points.loc[rows, column].to_numpy(float)
        of_path = _path_db(points.loc[rows, "frequency_hz"].to_numpy(float), path)
        own = [math.sqrt(1.0 - COMMON**2) if is_common else 1.0 for is_common in common]
        parts = PARTS[column]
        rest = np.zeros(len(stated))
        if parts[0] in points and np.isfinite(points.loc[rows, parts[0]].to_numpy(float)).any():
            # Mismatch is left whole: whether its phase is the same is not known.
            rest = np.nan_to_num(points.loc[rows, parts[2]].to_numpy(float), nan=0.0)
        # Made of these and nothing else? If not, what is common in it is not known. Two tones and the spectrum analyser's own
        # levels are made of other parts: they come under LINES.
        there = np.isclose(stated, np.sqrt(of_instrument**2 + of_path**2 + rest**2), rtol=1e-6)
        if not there.any():
            kept.append(f"{column} of channel {channel} is not made of the bench file's accuracy, path and mismatch alone")
            continue
        points.loc[rows, column] = np.where(
            there, np.sqrt((own[0] * of_instrument) ** 2 + (own[1] * of_path) ** 2 + rest**2), stated
        )
        for part, factor in zip(parts, own, strict=False):
            if part in points:
                values = points.loc[rows, part].to_numpy(float)
                points.loc[rows, part] = np.where(there, values * factor, values)


# What a level's uncertainty is made of: instrument, path, mismatch.
PARTS = {
    "u_input_db": ("u_source_db", "u_input_path_db", "u_input_mismatch_db"),
    "u_output_db": ("u_meter_db", "u_output_path_db", "u_output_mismatch_db"),
}


def _path_db(frequencies_hz: NDArray[np.float64], path: LossPath) -> NDArray[np.float64]:
    """Standard uncertainty of a path at each frequency; NaN where there is none. [dB]"""
    found = np.full(len(frequencies_hz), np.nan)
    for hz in np.unique(frequencies_hz[np.isfinite(frequencies_hz)]):
        found[frequencies_hz == hz] = path.uncertainty_db(float(hz)) / 2
    return found
