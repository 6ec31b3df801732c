"""What the sentinel is compared with, and how a run that goes on finds it again in its record."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from benchkit.plan.plan import Condition

__all__ = ["Key", "Reference", "key_of", "references_of"]

Key = tuple[str, str, float]
"""Channel, temperature as text (NaN, where none is set, does not equal itself), supply voltage."""

FOUND_RIGHT = ("reference", "held")


@dataclass(frozen=True)
class Reference:
    """
    What later readings are compared with.

    Attributes:
        held_s: When it was last found to hold. [s]
        is_earlier: From before the run was resumed: a difference is told and marks, and never stops the run that was started
            again in knowledge of it.
    """

    gain_db: float
    quiescent_a: float
    detector_v: float
    held_s: float
    is_earlier: bool = False


def key_of(condition: Condition) -> Key:
    temperature = math.nan if condition.temperature_degc is None else condition.temperature_degc
    return condition.channel, repr(float(temperature)), condition.supply_voltage_v


def references_of(rows: pd.DataFrame) -> dict[Key, Reference]:
    """
    By condition: its first reading that was a reference, which held until the last that was found right.

    Args:
        rows: Stream `sentinel` of a record; may be empty.
    """
    found: dict[Key, Reference] = {}
    for row in rows.to_dict("records"):
        if row["status"] not in FOUND_RIGHT:
            continue
        key = str(row["channel"]), repr(float(row["temperature_set_degc"])), float(row["supply_voltage_set_v"])
        first, time_s = found.get(key), float(row["time_s"])
        if first is None:
            first = Reference(
                float(row["gain_db"]), float(row["quiescent_a"]), float(row["detector_v"]), time_s, is_earlier=True
            )
        found[key] = Reference(first.gain_db, first.quiescent_a, first.detector_v, time_s, is_earlier=True)
    return found
