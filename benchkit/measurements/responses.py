"""
What stands out of the noise in a trace, and whose it is: the device's, or the analyser's own.

An analyser shows responses that nobody put in (residuals of its own oscillators). They arise behind its attenuator: with A dB
more attenuation a level at its input reads the same, and a response of its own reads A dB higher, as its noise does. Common
practice, no source. Whatever does not do so is the device's: what comes and goes while it is looked at, too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from benchkit.measurements.spectrum_base import SpectrumLine, SpectrumStation, SpectrumSweep, SpectrumTrace

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = ["MOST", "RESPONSE", "Response", "is_own", "look_twice", "nearby", "noise_of", "strongest_above"]

RESPONSE = "response"
"""How a line is named that was looked at twice; the number that follows tells them apart."""

MOST = 12
"""More than this is no longer a spectrum with a few lines."""

# A response of the analyser's own rises by the whole step; noise around a line near it by less than this much less.
OWN_WITHIN_DB = 1.5
# Noise is the median of this many points around: lines are narrower than that, steps from band to band wider.
NOISE_POINTS = 101
# A line is looked at over its own interval and so many bandwidths to either side.
LOOK_BANDWIDTHS = 10.0
LOOK_POINTS = 401


@dataclass(frozen=True)
class Response:
    """One line that was looked at twice, `again` with more attenuation. Its level is that of the first look."""

    first: SpectrumLine
    again: SpectrumLine
    is_own: bool


def noise_of(trace: SpectrumTrace) -> Floats:
    """Noise as the trace shows it, a running median at the analyser's connector, shape (points,). [dBm]"""
    rolling = pd.Series(trace.analyser_dbm).rolling(NOISE_POINTS, center=True, min_periods=NOISE_POINTS // 4)
    return np.asarray(rolling.median().to_numpy(), dtype=np.float64)


def strongest_above(trace: SpectrumTrace, limit_dbm: Floats, left_out: NDArray[np.bool_]) -> int | None:
    """
    The point that is furthest above its limit, or None.

    Args:
        limit_dbm: At the analyser's connector, shape (points,); NaN: none there. [dBm]
        left_out: Points that do not count.
    """
    above = np.where(left_out | np.isnan(limit_dbm), -math.inf, trace.analyser_dbm - limit_dbm)
    index = int(np.nanargmax(above))
    return index if above[index] > 0 else None


def nearby(trace: SpectrumTrace, frequency_hz: float) -> NDArray[np.bool_]:
    """Points that a line at a frequency reaches: its filter's skirts, and the intervals beside its own. [Hz]"""
    step_hz = float(trace.frequency_hz[1] - trace.frequency_hz[0])
    return np.asarray(np.abs(trace.frequency_hz - frequency_hz) <= max(LOOK_BANDWIDTHS * trace.bandwidth_hz, 2.0 * step_hz))


def look_twice(
    station: SpectrumStation, sweep: SpectrumSweep, frequency_hz: float, attenuation_db: float, step_db: float, number: int
) -> Response:
    """
    A narrow sweep around a point of `sweep`, and again with more attenuation. [Hz, dB]

    Raises:
        LimitError: As SpectrumStation.sweep.
    """
    half_hz = sweep.step_hz + LOOK_BANDWIDTHS * sweep.bandwidth_hz
    low_hz, high_hz = max(sweep.start_hz, frequency_hz - half_hz), min(sweep.stop_hz, frequency_hz + half_hz)
    narrow = SpectrumSweep(low_hz, high_hz, sweep.bandwidth_hz, LOOK_POINTS)
    name = f"{RESPONSE} {number}"
    first = _highest(station.sweep(narrow, attenuation_db)[1], name)
    again = _highest(station.sweep(narrow, attenuation_db + step_db)[1], name)
    return Response(first, again, is_own(first, again))


def is_own(first: SpectrumLine, again: SpectrumLine) -> bool:
    """Whether a response moved with the attenuator, and so is the analyser's own."""
    step_db = again.attenuation_db - first.attenuation_db
    return again.analyser_dbm - first.analyser_dbm >= step_db - OWN_WITHIN_DB


def _highest(trace: SpectrumTrace, name: str) -> SpectrumLine:
    index = int(np.nanargmax(trace.analyser_dbm))
    loss_db = float(trace.loss_db[index])
    return SpectrumLine(
        name=name,
        time_s=trace.time_s,
        frequency_hz=float(trace.frequency_hz[index]),
        attenuation_db=trace.attenuation_db,
        bandwidth_hz=trace.bandwidth_hz,
        analyser_dbm=float(trace.analyser_dbm[index]),
        loss_db=loss_db,
        output_dbm=float(trace.output_dbm[index]),
        noise_dbm=float(np.nanmedian(trace.analyser_dbm)) + loss_db,
        own_dbm=math.nan,
        u_path_db=float(trace.u_path_db[index]),
        u_analyser_db=trace.u_analyser_db,
    )
