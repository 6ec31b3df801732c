"""What every imported curve must be: two frequencies or more, in ascending order."""

from __future__ import annotations

import numpy as np

from benchkit.errors import Mistake

__all__ = ["order_mistakes"]


def order_mistakes(hz: np.ndarray[tuple[int], np.dtype[np.float64]], name: str) -> list[Mistake]:
    """At least two frequencies, each above the one before it."""
    if len(hz) < 2:
        message = f"has {len(hz)} frequenc{'y' if len(hz) == 1 else 'ies'}; two or more are needed to compare over a band"
        return [Mistake(name, None, "", message)]
    back = np.flatnonzero(~(np.diff(hz) > 0))
    if back.size:
        at = int(back[0])
        message = f"is not in ascending order: {hz[at + 1] / 1e9:.9g} GHz comes after {hz[at] / 1e9:.9g} GHz; sort its rows"
        return [Mistake(name, None, "frequency", message)]
    return []
