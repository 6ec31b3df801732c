"""What a role is asked for, held against what the bench file allows. NaN is inside nothing and so is refused."""

from __future__ import annotations

from benchkit.errors import LimitError

__all__ = ["bench_key", "outside"]


def bench_key(instrument: str, key: str) -> str:
    """Where a limit stands, for messages."""
    return f"bench file: instruments.{instrument}.{key}"


def outside(quantity: str, value: float, low: float, high: float, unit: str, low_source: str, high_source: str) -> LimitError:
    """
    The error for a `value` that is not within `low`..`high`. To be raised by who has checked.

    The check itself stands in the caller, as `if not low <= value <= high`, because points pass it thousands of times.
    """
    if value > high:
        return LimitError(quantity, value, high, unit, high_source)
    if value < low:
        return LimitError(quantity, value, low, unit, low_source, "below")
    return LimitError(quantity, value, high, unit, high_source, "not a number, and so not within")
