"""A number that cannot be had, and why. Never a guess in its place."""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["Absent"]


@dataclass(frozen=True)
class Absent:
    """
    In place of a result.

    Attributes:
        reason: For the data sheet, e.g. "1 dB compression not reached: largest compression seen 0.62 dB at +8.00 dBm".
    """

    reason: str

    def __post_init__(self) -> None:
        if not self.reason:
            raise ValueError("an absent number needs its reason")
