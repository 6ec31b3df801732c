"""A mask: what may be at the output at which frequency, in dBm or below the carrier (dBc)."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated

import numpy as np
from pydantic import AfterValidator, BeforeValidator, Field

from benchkit.errors import QuantityError
from benchkit.files.types import FileModel, Hertz
from benchkit.quantities import parse_quantity

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["MaskSegment", "limits_dbm", "mask_mistakes", "parse_limit"]

_DBC = re.compile(r"\s*dBc\s*$")


def parse_limit(text: str) -> tuple[float, bool]:
    """
    A limit and whether it is relative to the carrier. [dBm or dBc]

    Raises:
        QuantityError: Neither.
    """
    if _DBC.search(text):
        return parse_quantity(_DBC.sub(" dB", text), "dB"), True
    return parse_quantity(text, "dBm"), False


def _check_limit(text: str) -> str:
    try:
        value, is_relative = parse_limit(text)
    except QuantityError:
        raise ValueError(f"{text!r} is no limit; expected a level such as -30 dBm, or -50 dBc below the carrier") from None
    if is_relative and value >= 0:
        raise ValueError(f"{text!r} is not below the carrier; expected a negative number of dBc, such as -50 dBc")
    return text


def _as_text(value: object) -> object:
    """A bare number is a limit without its unit: told as that."""
    return repr(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


class MaskSegment(FileModel):
    """One stretch of the mask, ends included."""

    from_hz: Hertz = Field(alias="from", gt=0)
    to_hz: Hertz = Field(alias="to", gt=0)
    limit: Annotated[str, BeforeValidator(_as_text), AfterValidator(_check_limit)] = Field(
        description="-30 dBm, or -50 dBc: below the carrier"
    )

    @property
    def absolute_dbm(self) -> float:
        """NaN: relative to the carrier."""
        value, is_relative = parse_limit(self.limit)
        return float("nan") if is_relative else value

    def limit_dbm(self, carrier_dbm: float) -> float:
        """With the carrier at a level. [dBm]"""
        value, is_relative = parse_limit(self.limit)
        return carrier_dbm + value if is_relative else value


def mask_mistakes(mask: Sequence[MaskSegment], from_hz: float, to_hz: float) -> Iterator[tuple[str, str]]:
    """Key below `mask`, and what is wrong: unsorted, overlapping, gaps, ends that are not those of the search. [Hz]"""
    if not mask:
        yield "", "is empty; expected one stretch or more: {from: ..., to: ..., limit: -50 dBc}"
        return
    for index, segment in enumerate(mask):
        if not segment.from_hz < segment.to_hz:
            yield f"[{index}].to", f"{_ghz(segment.to_hz)} is not above from, {_ghz(segment.from_hz)}"
            return
    for index, (before, segment) in enumerate(pairwise(mask), start=1):
        if segment.from_hz < before.from_hz:
            yield f"[{index}]", f"begins at {_ghz(segment.from_hz)}, below the one before, {_ghz(before.from_hz)}; sort the mask"
        elif segment.from_hz < before.to_hz:
            yield (
                f"[{index}].from",
                f"{_ghz(segment.from_hz)} overlaps the stretch before it, which ends at {_ghz(before.to_hz)}: which limit holds?",
            )
        elif segment.from_hz > before.to_hz:
            yield (
                f"[{index}].from",
                f"leaves a gap from {_ghz(before.to_hz)} to {_ghz(segment.from_hz)}, where nothing would be judged; close it, or "
                "search twice",
            )
    for key, end, wanted in (("[0].from", mask[0].from_hz, from_hz), (f"[{len(mask) - 1}].to", mask[-1].to_hz, to_hz)):
        if end != wanted:
            yield key, f"{_ghz(end)} is not where the search {'begins' if key.endswith('from') else 'ends'}, {_ghz(wanted)}"


def limits_dbm(
    mask: Sequence[MaskSegment], frequency_hz: NDArray[np.float64], carrier_dbm: float
) -> NDArray[np.float64]:
    """
    The mask at each frequency, shape (n,); where two stretches meet the stricter one. [Hz, dBm]

    The ends may be missed by rounding; the mask covers the whole search.
    """
    found = np.full(frequency_hz.size, np.nan)
    for segment in mask:
        inside = (frequency_hz >= segment.from_hz - 1.0) & (frequency_hz <= segment.to_hz + 1.0)
        found[inside] = np.fmin(found[inside], segment.limit_dbm(carrier_dbm))
    return found


def _ghz(hz: float) -> str:
    return f"{hz / 1e9:.10g} GHz"
