"""The engine's rows into the record, shielded from signals."""

from __future__ import annotations

from collections.abc import Mapping

from benchkit.campaign.signals import Interrupter
from benchkit.record import RecordWriter

__all__ = ["ShieldedSink"]


class ShieldedSink:
    """Implements benchkit.engine.Sink. A row is written whole or not at all, whatever signal arrives."""

    def __init__(self, writer: RecordWriter, interrupter: Interrupter) -> None:
        self._writer = writer
        self._interrupter = interrupter

    def append(self, stream: str, row: Mapping[str, float | int | str]) -> int:
        with self._interrupter.shield():
            return self._writer.append(stream, row)
