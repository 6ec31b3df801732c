"""What is drawn of measured paths and of a thru: each with the expanded uncertainty either way."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from benchkit.results.figure import Axis, Figure, Trace
from benchkit.results.result import Result

__all__ = ["path_figures", "thru_figure"]

_FREQUENCY = Axis("Frequency (GHz)")


def path_figures(title: str, results: Sequence[Result]) -> list[Figure]:
    """Losses, a path at a time, for they lie far apart; of several levels, how much more is lost at the highest."""
    found = []
    for parameter, key, heading, label in (
        ("path_loss", "loss", "Loss of the paths, measured on the bench", "Loss between the ends of the path (dB)"),
        (
            "path_loss_rise", "rise", "Loss at the highest level less loss at the lowest; 0 dB: it does not compress",
            "Rise of the loss with level (dB)",
        ),
    ):  # fmt: skip
        own = [one for one in results if one.parameter == parameter]
        choices = {path: _with_uncertainty([one for one in own if one.qualifier == path]) for path in _paths(own)}
        if choices:
            found.append(
                Figure(
                    key=f"{title}-{key}", title=heading, x=_FREQUENCY, y=Axis(label), choices=choices, choice_label="Path",
                    caption="Lines without marks: expanded uncertainty, k = 2, either way.",
                )
            )  # fmt: skip
    return found


def thru_figure(title: str, results: Sequence[Result]) -> list[Figure]:
    """Gain of a thru, with its uncertainty about 0 dB: between the lines is right."""
    traces: list[Trace] = []
    for channel, driven_by in dict.fromkeys((one.condition.channel, one.qualifier) for one in results):
        own = [one for one in results if (one.condition.channel, one.qualifier) == (channel, driven_by)]
        x, gain_db, expanded_db = _columns(own)
        of = f"channel {channel}" + (f", {driven_by}" if driven_by else "")
        traces.append(Trace(of, x, gain_db, channel=channel))
        for sign, side in ((1.0, "+U"), (-1.0, "-U")):
            traces.append(Trace(f"{side}, {of}", x, sign * expanded_db, channel=channel, mode="lines"))
    if not traces:
        return []
    heading, label = "Gain of a thru in place of the device; 0 dB is right", "Gain, device input to device output (dB)"
    caption = "Lines without marks: expanded uncertainty, k = 2, about 0 dB."
    return [Figure(f"{title}-gain", heading, _FREQUENCY, Axis(label), tuple(traces), caption=caption)]


def _paths(results: Sequence[Result]) -> list[str]:
    return list(dict.fromkeys(one.qualifier for one in results))


def _columns(results: Sequence[Result]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Frequency, value and its expanded uncertainty, in the order of frequency. [GHz, dB, dB]"""
    rows = sorted(((one.condition.frequency_hz or 0.0) / 1e9, one.value, one.expanded_uncertainty) for one in results)
    x, value, expanded = np.array(rows, dtype=np.float64).T
    return x, value, expanded


def _with_uncertainty(results: Sequence[Result]) -> tuple[Trace, ...]:
    x, value, expanded = _columns(results)
    channel = results[0].condition.channel
    return (
        Trace("measured", x, value, channel=channel),
        Trace("+U", x, value + expanded, channel=channel, mode="lines"),
        Trace("-U", x, value - expanded, channel=channel, mode="lines"),
    )
