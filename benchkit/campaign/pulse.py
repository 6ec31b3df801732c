"""A clock whose every wait is a heartbeat: a bias-up of a thousand small steps writes no row for minutes and is not stuck."""

from __future__ import annotations

from collections.abc import Callable

from benchkit.clock import Clock

__all__ = ["BeatingClock"]

# A longer wait is cut into pieces, each with a beat of its own.
PIECE_S = 1.0


class BeatingClock:
    """
    Implements benchkit.Clock around another.

    Args:
        beat: Called before every wait, from the main thread. Raises when nobody listens any more.
    """

    def __init__(self, clock: Clock, beat: Callable[[], None]) -> None:
        self._clock = clock
        self._beat = beat

    def now(self) -> float:
        return self._clock.now()

    def monotonic(self) -> float:
        return self._clock.monotonic()

    def sleep(self, seconds: float) -> None:
        while seconds > PIECE_S:
            self._beat()
            self._clock.sleep(PIECE_S)
            seconds -= PIECE_S
        self._beat()
        self._clock.sleep(seconds)
