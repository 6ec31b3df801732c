"""What a plot shows, as data: a kind of measurement says what to plot, the report draws it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

__all__ = ["Axis", "Figure", "Trace"]


@dataclass(frozen=True)
class Axis:
    """Label carries quantity, unit and plane, e.g. "Output power at device output (dBm)"."""

    label: str
    scale: Literal["linear", "log"] = "linear"


@dataclass(frozen=True)
class Trace:
    """
    One line or set of markers.

    Attributes:
        x, y: Same length, float; a NaN breaks the line.
        name: As the legend shows it.
        temperature_degc: Chooses the colour (cold, room, hot), when known.
        channel: Chooses the dash, when known.
        part: Of several lines of one condition, what this one is ("tone", "noise"); "" where there is one. Chooses the weight.
    """

    name: str
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    temperature_degc: float | None = None
    channel: str | None = None
    mode: Literal["lines", "markers", "lines+markers"] = "lines+markers"
    part: str = ""


@dataclass(frozen=True)
class Figure:
    """
    One plot. `choices` names what a reader can choose between (e.g. one frequency), with the traces of each.

    Attributes:
        shaded: Stretches of x, from and to, that are shaded; the caption says why.
    """

    key: str
    title: str
    x: Axis
    y: Axis
    traces: tuple[Trace, ...] = ()
    choices: dict[str, tuple[Trace, ...]] = field(default_factory=dict)
    choice_label: str = ""
    caption: str = ""
    shaded: tuple[tuple[float, float], ...] = ()
