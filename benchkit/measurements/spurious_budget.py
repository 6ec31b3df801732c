"""What the level of one line of a search is uncertain by, and its distance from the carrier."""

from __future__ import annotations

import math

from benchkit.measurements.harmonic_results import DriveError
from benchkit.measurements.level_parts import mismatch_lines
from benchkit.measurements.responses import noise_of
from benchkit.measurements.spectrum_base import SpectrumLine, SpectrumTrace
from benchkit.measurements.two_tone_results import noise_error_db
from benchkit.results.uncertainty import Budget, Contribution

__all__ = ["line_budget"]


def line_budget(
    trace: SpectrumTrace, carrier: SpectrumLine, index: int, drive: DriveError | None, *, relative: bool
) -> Budget:
    """
    In dB.

    Args:
        index: Of the point of `trace` that the line is at.
        drive: None: what is read there is noise, and its level a bound. What a line below it may be is less, whatever noise adds.
        relative: Of its distance from the carrier, not of its level.
    """
    noise_dbm = trace.noise_dbm
    if math.isnan(noise_dbm):
        # Each point is the highest of its interval, and so is its noise: more than there is at a line.
        noise_dbm = float(noise_of(trace)[index])
    bias_db, scatter_db = noise_error_db(float(trace.analyser_dbm[index]) - noise_dbm)
    lines = [
        Contribution("spectrum analyser's level", trace.u_analyser_db, distribution="rectangular"),
        Contribution("path from the device to the analyser", float(trace.u_path_db[index])),
        *mismatch_lines(trace.u_mismatch_db),
    ]
    if drive is not None:
        lines += [
            # The number is told for a stated drive: what the level at the device's input is off by moves it.
            Contribution("level at the device's input", drive.u_db, drive.relative if relative else drive.absolute),
            Contribution("noise at the line", bias_db / math.sqrt(3.0)),
            Contribution("scatter by noise at the line", scatter_db),
        ]
    if relative:
        lines += [
            Contribution("spectrum analyser's level at the carrier", carrier.u_analyser_db, -1.0, distribution="rectangular"),
            Contribution("path from the device to the analyser at the carrier", carrier.u_path_db, -1.0),
            # Far apart in frequency the two have phases of their own.
            *mismatch_lines(carrier.u_mismatch_db, " at the carrier", -1.0),
        ]
    return Budget([one for one in lines if one.amount > 0] or lines[:1])
