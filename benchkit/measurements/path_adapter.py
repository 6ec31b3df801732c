"""The adapter that the power meter's sensor wears away from its own place: what it loses, and what a file of it may not be."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from benchkit.bench.loss_touchstone import read_touchstone
from benchkit.bench.paths import LossPath
from benchkit.errors import FileError
from benchkit.files.types import Decibels, FileModel, FileName
from benchkit.quantities.format import format_quantity

__all__ = ["AdapterFile", "AdapterLoss", "adapter_mistakes", "adapter_path"]


class AdapterLoss(FileModel):
    """An adapter between the sensor and where it is put."""

    loss_db: Decibels = Field(alias="loss", ge=0)
    uncertainty_db: Decibels = Field(alias="uncertainty", ge=0, description="Expanded, k = 2")


class AdapterFile(FileModel):
    """An adapter given as a two-port Touchstone file."""

    touchstone: FileName = Field(description="A two-port Touchstone file")
    parameter: Literal["S21", "S12"] = "S21"
    uncertainty_db: Decibels = Field(alias="uncertainty", ge=0, description="Expanded, k = 2, of its loss")


def adapter_mistakes(adapter: AdapterFile, content: bytes, span_hz: tuple[float, float]) -> Iterator[tuple[str, str]]:
    """
    Key and what is wrong.

    Args:
        content: Of its file.
        span_hz: From where to where it is needed. [Hz]
    """
    key = "adapter.touchstone"
    try:
        path = adapter_path(adapter, content)
    except FileError as error:
        for mistake in error.mistakes:
            yield key, f"{adapter.touchstone}: {mistake.message}"
        return
    low_hz, high_hz = span_hz
    if not path.covers(low_hz, high_hz):
        yield (
            key,
            f"{adapter.touchstone} covers {format_quantity(path.frequency_min_hz, 'Hz', 9)} to "
            f"{format_quantity(path.frequency_max_hz, 'Hz', 9)}, and the paths are measured from "
            f"{format_quantity(low_hz, 'Hz', 9)} to {format_quantity(high_hz, 'Hz', 9)}; an adapter is never extrapolated: "
            "measure it further, or ask for less",
        )
    worst_hz = min(path.frequencies_hz, key=path.loss_db)
    if path.loss_db(worst_hz) < -adapter.uncertainty_db:
        yield (
            key,
            f"{adapter.touchstone} has gain, {-path.loss_db(worst_hz):.3g} dB at {format_quantity(worst_hz, 'Hz', 9)}; "
            "an adapter has none",
        )


def adapter_path(adapter: AdapterFile, content: bytes) -> LossPath:
    """
    Raises:
        FileError: The content is no two-port file.
    """
    frequencies, losses = read_touchstone(content, adapter.touchstone, adapter.parameter)
    return LossPath.table("adapter", frequencies, losses, (adapter.uncertainty_db,) * len(losses), adapter.touchstone)
