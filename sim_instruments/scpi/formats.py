"""Response data: values to text, as IEEE 488.2 (8.7) and SCPI want it sent."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
from numpy.typing import ArrayLike

__all__ = ["block", "boolean", "channel_list", "number", "numbers", "quoted"]


def number(value: float) -> str:
    """NR3; infinity is 9.9E37, not-a-number 9.91E37 (SCPI volume 1, 7.2.1.4-5)."""
    if math.isfinite(value):
        return f"{value:+.11E}"
    if math.isnan(value):
        return "+9.91000000000E+37"
    return "+9.90000000000E+37" if value > 0 else "-9.90000000000E+37"


def numbers(values: Iterable[float]) -> str:
    return ",".join([number(value) for value in values])


def boolean(value: bool) -> str:
    return "1" if value else "0"


def quoted(text: str) -> str:
    """String response data: a quote inside is doubled."""
    return '"' + text.replace('"', '""') + '"'


def channel_list(channels: Iterable[int]) -> str:
    return "(@" + ",".join(str(channel) for channel in channels) + ")"


def block(values: ArrayLike, dtype: str, *, big_endian: bool) -> str:
    """
    Definite-length block of numbers, as text whose characters are the bytes (Latin-1).

    Args:
        values: The numbers, any shape.
        dtype: numpy's name without byte order, e.g. "f4".
        big_endian: FORMat:BORDer NORMal sends the most significant byte first.
    """
    data = np.asarray(values).astype((">" if big_endian else "<") + dtype).tobytes()
    count = str(len(data))
    return f"#{len(count)}{count}" + data.decode("latin-1")
