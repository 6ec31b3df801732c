"""
The thread that syncs, on *real* time, because disks and power cuts know no other; also while nothing is appended.

Each round: take the rows that wait; sync the journal; then write the rows into the HDF5 file; then count them; now and
then sync that file too. The order is essential: what stands in the file must be in the journal already. At the end it looks
whether the journal is still there.

Whatever goes wrong is kept and raised by the next append(), flush() or finish(). After that nothing more is written:
once a sync has failed, the system may have dropped the data and report the next sync as good (fsync(2), Linux).
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from benchkit.errors import RecordError
from benchkit.record.disk import Disk, record_error
from benchkit.record.journal import Journal
from benchkit.record.layout import StreamSpec
from benchkit.record.live import LiveFile

__all__ = ["Batch", "Flusher"]


@dataclass(frozen=True)
class Batch:
    """Consecutive packed rows of one stream, from row `first` on; nobody else writes to them any more."""

    spec: StreamSpec
    first: int
    rows: bytearray


class Flusher:
    """
    Runs until stop().

    Args:
        take: Hands over the rows that wait, and the length of the journal that holds them and all before.
        vouch: Notes in the journal that it is on the disk up to a byte.
        again: Has the journal written anew; told what has become of it.
        interval_s: Between two rounds. [s]
        sync_interval_s: Between two syncs of the HDF5 file. [s]
    """

    def __init__(
        self,
        take: Callable[[], tuple[list[Batch], int]],
        vouch: Callable[[int], None],
        again: Callable[[str], None],
        journal: Journal,
        live: LiveFile,
        disk: Disk,
        interval_s: float,
        sync_interval_s: float,
    ) -> None:
        self._take, self._vouch, self._again = take, vouch, again
        self._journal, self._live, self._disk = journal, live, disk
        self._interval_s = interval_s
        self._rounds_per_sync = max(1, round(sync_interval_s / interval_s))
        self._failure: RecordError | None = None
        self.is_told = False
        # `_wake` guards the three below: rounds asked for, rounds done, and whether the next is the last.
        self._wake = threading.Condition()
        self._asked = self._served = 0
        self._stopping = False
        self._thread = threading.Thread(target=self._run, name=f"record {live.path.name}", daemon=True)
        self._thread.start()

    def check(self) -> None:
        """
        Raises:
            RecordError: A round failed.
        """
        if self._failure is not None:
            self.is_told = True
            raise RecordError(str(self._failure)) from self._failure

    def flush(self) -> None:
        """
        Wait for a round that begins after this call.

        Raises:
            RecordError: It failed, or one before.
        """
        with self._wake:
            self._asked += 1
            mine = self._asked
            self._wake.notify_all()
            self._wake.wait_for(lambda: self._served >= mine or self._failure is not None or not self._thread.is_alive())
        self.check()

    def stop(self) -> None:
        """One last round, with the file synced; then the thread ends. A failure is left for check()."""
        with self._wake:
            self._stopping = True
            self._wake.notify_all()
        self._thread.join()

    @property
    def is_running(self) -> bool:
        return self._thread.is_alive()

    def _run(self) -> None:
        rounds = 0
        stopping = False
        while not stopping and self._failure is None:
            with self._wake:
                self._wake.wait_for(lambda: self._stopping or self._asked > self._served, self._interval_s)
                asked, stopping = self._asked, self._stopping
            rounds += 1
            self._round(sync_file=stopping or rounds % self._rounds_per_sync == 0)
            with self._wake:
                self._served = asked
                self._wake.notify_all()

    def _round(self, *, sync_file: bool) -> None:
        try:
            batches, journal_bytes = self._take()
            if batches:
                self._journal.sync()
                self._vouch(journal_bytes)
            for batch in batches:
                block = np.frombuffer(batch.rows, batch.spec.row_dtype)
                self._live.write(batch.spec.name, batch.first, block)
                self._live.count(batch.spec.name, batch.first + len(block))
            if sync_file:
                self._live.make_safe(journal_bytes)
            if trouble := self._journal.trouble():
                self._again(trouble)
        except OSError as error:
            self._failure = record_error(self._live.path, "syncing", error, self._disk)
            self._failure.__cause__ = error
        except Exception as error:  # noqa: BLE001 - nobody would hear of it here; check() raises it in the caller
            self._failure = RecordError(f"{self._live.path}: syncing: {type(error).__name__}: {error}")
            self._failure.__cause__ = error
