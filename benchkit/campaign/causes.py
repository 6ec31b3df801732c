"""
Where a disagreement may come from: what shifted together, and what of the two setups reaches just that.

The reasoning is of the bench: a constant error of the output path or the power meter moves every output level by the same
decibels and no input level; one of the input path or the source moves input levels, and gain the other way; neither moves a
gate voltage. Hints, not findings: the sentence says what was seen, and what would explain it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from statistics import fmean
from typing import Protocol

from benchkit.campaign.setup import Difference
from benchkit.results.result import ResultCondition

__all__ = ["Compared", "causes"]

# Shifts are alike when none is further from their mean than this part of it, or than this many decibels.
ALIKE_PART, ALIKE_DB = 0.25, 0.1
# A family of parameters disagrees when this part of its rows does.
MOST = 0.5


class Compared(Protocol):
    """One row of the table of agreement."""

    @property
    def parameter(self) -> str: ...
    @property
    def unit(self) -> str: ...
    @property
    def plane(self) -> str: ...
    @property
    def condition(self) -> ResultCondition: ...
    @property
    def difference(self) -> float: ...
    @property
    def en(self) -> float: ...
    @property
    def disagrees(self) -> bool: ...


Place = tuple[str | None, float | None]


def causes(rows: Sequence[Compared], differences: Sequence[Difference]) -> list[str]:
    """
    Hints in words, likeliest first; empty when nothing disagrees.

    Args:
        rows: Those that have an En number.
        differences: What is known to differ in the two setups.
    """
    rows = [row for row in rows if not math.isnan(row.en)]
    if not any(row.disagrees for row in rows):
        return []
    families: dict[str, list[Compared]] = defaultdict(list)
    for row in rows:
        families[_family(row)].append(row)
    output, level_in, gain, detector = (families[name] for name in ("output level", "input level", "gain", "detector"))
    current, gate = families["drain current"], families["gate voltage"]
    found: list[str] = []
    others = [row for row in (*output, *level_in, *gain, *detector, *current) if row.disagrees]
    if _most_disagree(gate) and others:
        found.append(
            f"gate voltage and {', '.join(dict.fromkeys(_family(row) for row in others))} disagree together, and no path, source "
            f"or meter moves a gate voltage: another unit, or the part has changed{_known(differences, ('unit', 'run'))}"
        )
    elif _most_disagree(gate):
        found.append(
            "gate voltages disagree and nothing else does: the gate supply's reading, the temperature, or another unit"
            + _known(differences, ("unit", "instrument"), "gate", always="unit")
        )
    elif _shifted(output) and not _shifted(level_in):
        found += _one_side(output, "output level", "output path", "the power meter", differences)
    elif _shifted(level_in) and not _shifted(output):
        found += _one_side(level_in, "input level", "input path", "the source", differences)
    elif _shifted(level_in) and _shifted(output):
        found.append(
            "input and output levels disagree, gate voltage does not: both paths or both instruments, or the part's gain changed"
            + _known(differences, ("unit", "path", "instrument"))
        )
    elif _most_disagree(current):
        found.append(
            "drain currents disagree and levels do not: the drain supply's current reading, or the bias"
            + _known([one for one in differences if _moves_current(one)], ("instrument", "sequence"))
        )
    elif any(row.disagrees for row in gain):
        found.append("gain disagrees and no level at compression does: look at the lowest levels of the ladders")
    elif _most_disagree(detector):
        found.append(
            "the detector's law disagrees and output levels do not: the voltmeters that read it, or the part's detector"
            + _known(differences, ("unit", "instrument"), "voltmeter", always="unit")
        )
    found += _one_temperature(rows)
    return found or [
        "no one cause fits what disagrees; look at the worst rows"
        + _known(differences, ("unit", "run", "instrument", "path", "limit"))
    ]


def _family(row: Compared) -> str:
    if row.parameter.startswith("detector"):
        return "detector"
    if row.unit == "dBm":
        return "output level" if row.plane.startswith("device output") else "input level" if row.plane == "device input" else ""
    if row.parameter.endswith("gain") and row.unit == "dB":
        return "gain"
    if row.unit == "A":
        return "drain current"
    return "gate voltage" if row.unit == "V" and row.plane.startswith("gate") else ""


def _most_disagree(rows: Sequence[Compared]) -> bool:
    return bool(rows) and sum(row.disagrees for row in rows) > MOST * len(rows)


def _shifts(rows: Sequence[Compared]) -> dict[Place, float]:
    """Mean shift at each channel and frequency where the levels disagree, all alike. [dB]"""
    by_place: dict[Place, list[Compared]] = defaultdict(list)
    for row in rows:
        by_place[row.condition.channel, row.condition.frequency_hz].append(row)
    found = {}
    for place, there in by_place.items():
        if _most_disagree(there):
            shifts = [row.difference for row in there]
            if _alike(shifts):
                found[place] = fmean(shifts)
    return found


def _shifted(rows: Sequence[Compared]) -> bool:
    return bool(_shifts(rows))


def _alike(shifts: Sequence[float]) -> bool:
    mean = fmean(shifts)
    return all(abs(shift - mean) <= max(ALIKE_PART * abs(mean), ALIKE_DB) for shift in shifts)


def _one_side(
    rows: Sequence[Compared], what: str, path: str, instrument: str, differences: Sequence[Difference]
) -> list[str]:
    shifts = _shifts(rows)
    everywhere = {(row.condition.channel, row.condition.frequency_hz) for row in rows}
    channels, shifted_channels = {channel for channel, _ in everywhere}, {channel for channel, _ in shifts}
    values = list(shifts.values())
    amount = f"{fmean(values):+.2f} dB" if _alike(values) else f"{min(values):+.2f} to {max(values):+.2f} dB"
    known = _known(differences, ("path", "instrument"), path.split()[0])
    other = "input" if what.startswith("output") else "output"
    seen = f"every {what} is shifted alike, by {amount} (first less second), and no {other} level"
    if len(shifts) == len(everywhere):
        if len(channels) > 1:
            return [f"{seen}, at every channel and frequency: {instrument}, or what all {path}s have in common{known}"]
        return [f"{seen}: the {path}, or {instrument}{known}"]
    if shifted_channels != channels:
        named = ", ".join(str(channel) for channel in sorted(shifted_channels, key=str))
        return [f"{seen}, at channel {named} only: the {path} of that channel (a connector, a cable, its table){known}"]
    at = ", ".join(f"{hz / 1e9:.6g} GHz" for hz in sorted({hz for _, hz in shifts if hz is not None}))
    return [f"{seen}, at {at} only: the {path}'s table there, or {instrument}'s calibration at this frequency{known}"]


def _one_temperature(rows: Sequence[Compared]) -> list[str]:
    temperatures = {row.condition.temperature_degc for row in rows}
    bad = {row.condition.temperature_degc for row in rows if row.disagrees}
    if len(temperatures) > 1 and len(bad) == 1:
        return [f"all that disagrees is at {bad.pop():+g} degC: the chamber, or the soak there"]
    return []


def _moves_current(one: Difference) -> bool:
    """The supply that reads it, and how the sequence biases the device."""
    return (one.what == "instrument" and "drain" in one.name) or (one.what == "sequence" and one.name.startswith("bias."))


def _known(differences: Sequence[Difference], what: Sequence[str], word: str = "", *, always: str = "") -> str:
    """What of the known differences fits, as the end of a sentence; those with `word` in their name, if there are such."""
    fitting = [one for one in differences if one.what in what]
    named = [one for one in fitting if one.what == always or (word and word in one.name)] or fitting
    if not named:
        return "; nothing of the kind is known to differ between the two"
    shown = "; ".join(str(one) for one in named[:3])
    return f"; known to differ: {shown}" + (f" and {len(named) - 3} more" if len(named) > 3 else "")
