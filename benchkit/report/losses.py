"""Path losses as they were used: one column for each path, with what its table states of its uncertainty and of its making."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from benchkit.bench.load import Bench
from benchkit.bench.model import ChannelWiring
from benchkit.report.digits import decimals_for, fixed, gigahertz
from benchkit.report.source import Source

__all__ = ["WAYS", "LossRow", "losses_of", "tables_of"]

# Headings of the columns; the paths that make them are _path_names().
WAYS = (
    "Source to device input", "Second source to device input", "Device output to power meter",
    "Device output to spectrum analyser",
)  # fmt: skip
_SOURCE, _SECOND, _METER, _ANALYSER = range(4)
_LINES = ("carrier", "harmonic")


@dataclass(frozen=True)
class LossRow:
    """Losses that the engine used at one frequency of one channel, in the order of WAYS; "" where a path was not used."""

    record: str
    channel: str
    frequency: str
    losses_db: tuple[str, ...]


def losses_of(source: Source) -> list[LossRow]:
    """The losses used, from the points and the lines themselves; their uncertainties from the stored path tables."""
    used: dict[tuple[str, float], list[list[float]]] = {}
    for channel, hz, way, loss_db in _every(source):
        used.setdefault((channel, hz), [[] for _ in WAYS])[way].append(loss_db)
    return [
        LossRow(
            source.label, channel, gigahertz(hz),
            tuple(_text(losses, _expanded_db(source.bench, channel, way, hz)) for way, losses in enumerate(many)),
        )
        for (channel, hz), many in sorted(used.items())
    ]  # fmt: skip


def _every(source: Source) -> Iterator[tuple[str, float, int, float]]:
    """Channel, frequency, place in WAYS, loss. Lines of two tones count at the middle between the tones. [Hz, dB]"""
    points = source.streams.points
    # A point of two tones is read by the spectrum analyser; a record from before them has no such columns.
    is_tones = points["spacing_hz"].to_numpy(dtype=float) > 0 if "spacing_hz" in points else np.zeros(len(points), dtype=bool)
    yield from _losses(points, "frequency_hz", _SOURCE, "input_loss_db")
    yield from _losses(points, "frequency_hz", _SECOND, "second_loss_db")
    yield from _losses(points[~is_tones], "frequency_hz", _METER, "output_loss_db")
    yield from _losses(points[is_tones], "frequency_hz", _ANALYSER, "output_loss_db")
    own = source.streams.own
    if "tones" in own:
        yield from _losses(own["tones"], "centre_hz", _ANALYSER, "loss_db")
    if "lines" in own:
        # Responses that were looked at twice lie anywhere; what a number is made of are carrier and harmonics.
        lines = own["lines"]
        yield from _losses(lines[lines["line"].str.startswith(_LINES)], "frequency_hz", _ANALYSER, "loss_db")


def _losses(rows: pd.DataFrame, hz: str, way: int, loss: str) -> Iterator[tuple[str, float, int, float]]:
    if loss in rows:
        there = rows[np.isfinite(rows[loss].to_numpy(dtype=float)) & np.isfinite(rows[hz].to_numpy(dtype=float))]
        for channel, at, value in there[["channel", hz, loss]].drop_duplicates().itertuples(index=False):
            yield str(channel), float(at), way, float(value)


def _text(losses: Sequence[float], expanded_db: float) -> str:
    if not losses:
        return ""
    decimals = decimals_for(expanded_db) if expanded_db > 0 else 3
    # Lines of one carrier lie some MHz apart: what is the same as printed is one number.
    ends = " to ".join(dict.fromkeys((fixed(min(losses), decimals), fixed(max(losses), decimals))))
    return f"{ends} ± {fixed(expanded_db, decimals)}" if expanded_db > 0 else ends


def _path_names(wiring: ChannelWiring) -> tuple[str | None, ...]:
    """In the order of WAYS; None: the channel has no such path."""
    return wiring.input.path, wiring.input.second_path, wiring.output.path, wiring.output.analyser_path


def _expanded_db(bench: Bench | None, channel: str, way: int, hz: float) -> float:
    """k = 2; zero where the bench cannot be read or its table does not reach there. [dB]"""
    if bench is None or channel not in bench.file.wiring.channels:
        return 0.0
    name = _path_names(bench.file.wiring.channels[channel])[way]
    if name is None or not bench.paths[name].covers(hz, hz):
        return 0.0
    expanded_db = bench.paths[name].uncertainty_db(hz)
    return expanded_db if math.isfinite(expanded_db) else 0.0


def tables_of(source: Source) -> list[str]:
    """What the tables of the paths that were used say of themselves (their comments: when, at what, with what); often nothing."""
    if source.bench is None:
        return []
    used = {(channel, way) for channel, _, way, _ in _every(source)}
    names = dict.fromkeys(
        name
        for channel, wiring in source.bench.file.wiring.channels.items()
        for way, name in enumerate(_path_names(wiring))
        if name is not None and (channel, way) in used
    )
    found = []
    for name in names:
        text = source.files.get(source.bench.paths[name].source, b"").decode("utf-8", errors="replace")
        told = [line.lstrip("# ").strip() for line in text.splitlines() if line.lstrip().startswith("#")]
        if told := list(filter(None, told)):
            found.append(f"{name}: {'; '.join(told)}")
    return found
