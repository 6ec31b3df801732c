"""The engine's rows into the record, shielded from signals; every row is a heartbeat too."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from benchkit.campaign.signals import Interrupter
from benchkit.record import RecordWriter

__all__ = ["ShieldedSink"]


class ShieldedSink:
    """
    Implements benchkit.engine.Sink. A row is written whole or not at all, whatever signal arrives.

    Args:
        beat: Called with every row, from the main thread: a run that writes no rows is a run that is stuck (a soak writes the
            chamber's log at every poll). Raises when nobody listens any more.
        see: Each told of every acknowledged row.
    """

    def __init__(
        self,
        writer: RecordWriter,
        interrupter: Interrupter,
        beat: Callable[[], None] | None,
        see: Sequence[Callable[[str, Mapping[str, float | int | str]], None]] = (),
    ) -> None:
        self._writer = writer
        self._interrupter = interrupter
        self._beat = beat
        self._see = see

    def append(self, stream: str, row: Mapping[str, float | int | str]) -> int:
        with self._interrupter.shield():
            number = self._writer.append(stream, row)
        for see in self._see:
            see(stream, row)
        if self._beat is not None:
            self._beat()
        return number
