"""What a search for spurious lines is asked for, and what is wrong with what was asked."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

from pydantic import Field

from benchkit.files.types import Decibels, FileModel, Hertz
from benchkit.measurements.mask import MaskSegment, mask_mistakes

__all__ = ["Search", "search_mistakes"]

# A carrier seen through a filter is gone at some 7 bandwidths (60 dB down, shape factor 15), digital ones sooner. Common
# practice,
# no source.
GUARD_BANDWIDTHS = 10.0


class Search(FileModel):
    """The span that is searched for lines which are neither carrier nor harmonic."""

    from_hz: Hertz = Field(alias="from", gt=0)
    to_hz: Hertz = Field(alias="to", gt=0)
    resolution_bandwidth_hz: Hertz = Field(alias="resolution_bandwidth", gt=0)
    points: int = Field(default=4001, ge=201, le=100_001, description="Each shows the highest level of its interval")
    guard_hz: Hertz = Field(alias="guard", gt=0, description="To either side of carrier and harmonics nothing counts")
    leaves_out: Literal["carrier", "carrier and harmonics"] = Field(
        default="carrier and harmonics", description="carrier: harmonics are held against the mask, too"
    )
    noise_margin_db: Decibels = Field(
        alias="noise_margin", default=8.0, ge=6, description="Noise must be so far below the mask, or its peaks are above it"
    )
    mask: tuple[MaskSegment, ...] = Field(description="Sorted, without gaps, over the whole search")


def search_mistakes(search: Search) -> Iterator[tuple[str, str]]:
    """Key below the measurement's block, and what is wrong there."""
    if not search.from_hz < search.to_hz:
        yield "search.to", f"{search.to_hz / 1e9:.10g} GHz is not above from, {search.from_hz / 1e9:.10g} GHz"
        return
    if search.guard_hz < GUARD_BANDWIDTHS * search.resolution_bandwidth_hz:
        yield (
            "search.resolution_bandwidth",
            f"{search.resolution_bandwidth_hz:g} Hz is too wide for a guard of {search.guard_hz:g} Hz: through such a "
            "filter the "
            f"carrier itself would be found; expected a guard of {GUARD_BANDWIDTHS:g} bandwidths or more",
        )
    if GUARD_BANDWIDTHS * search.resolution_bandwidth_hz > search.from_hz:
        yield (
            "search.resolution_bandwidth",
            f"{search.resolution_bandwidth_hz:g} Hz is too wide for a search from {search.from_hz:g} Hz: an analyser "
            "shows its own "
            f"oscillator at 0 Hz, {GUARD_BANDWIDTHS:g} bandwidths wide",
        )
    for key, message in mask_mistakes(search.mask, search.from_hz, search.to_hz):
        yield f"search.mask{key}", message
