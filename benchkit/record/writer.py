"""
Writing a running record.

append() packs a row, puts it into the journal with one write and returns: the row is acknowledged, and a killed process
can't take it back. The flusher's thread does the rest. One lock covers the journal's end, row numbers and rows waiting;
it is held for microseconds and never while the disk syncs, so a slow disk does not stall append().

Only the thread copies rows into the HDF5 file, so that a signal's exception in the caller can't interrupt it half-way.
"""

from __future__ import annotations

import contextlib
import threading
import uuid
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType

import h5py
import numpy as np

from benchkit.clock import Clock
from benchkit.errors import ClosedError, FormatError, MisuseError
from benchkit.record.begin import begin
from benchkit.record.disk import Disk, record_error
from benchkit.record.flusher import Batch, Flusher
from benchkit.record.journal import Journal
from benchkit.record.journal_again import write_again
from benchkit.record.layout import Description, StreamSpec
from benchkit.record.live import LiveFile
from benchkit.record.recover import Recovery, reopen
from benchkit.record.rows import RowPacker, Value
from benchkit.record.seal import seal
from benchkit.record.unseal import unseal
from benchkit.results.result import Result
from benchkit.results.verdict import Verdict
from benchkit.version import VERSION

__all__ = ["RecordWriter"]

_MOST_WAITING = 8 << 20  # bytes of rows that wait for the thread before append() itself flushes
EVENTS = "events"
"""Stream that takes whole a text that was cut elsewhere."""


class _Stream:
    """What append() needs of one stream. `waiting` holds the rows from `first` on that are not in the HDF5 file yet."""

    def __init__(self, number: int, spec: StreamSpec, rows: int) -> None:
        self.number, self.spec, self.packer = number, spec, RowPacker(spec)
        self.rows = self.first = rows
        self.waiting = bytearray()


class RecordWriter:
    """
    One running record. Made by create() or resume(); used from any thread; a context manager that abandons what was not
    finished.

    Attributes:
        path: The HDF5 file.
        recovery: What resume() found and mended; None for a new record.
    """

    def __init__(
        self,
        journal: Journal,
        live: LiveFile,
        clock: Clock,
        disk: Disk,
        flush_interval_s: float,
        sync_interval_s: float,
        recovery: Recovery | None,
    ) -> None:
        self.path, self.recovery = live.path, recovery
        self._journal, self._live, self._clock, self._disk = journal, live, clock, disk
        specs = live.description.streams
        self._streams = {spec.name: _Stream(number, spec, live.rows[spec.name]) for number, spec in enumerate(specs)}
        self._rows = threading.Lock()
        self._closed = False
        self._flusher = Flusher(
            self._take, self._vouch, self._journal_again, journal, live, disk, flush_interval_s, sync_interval_s
        )  # fmt: skip

    @classmethod
    def create(
        cls,
        path: Path | str,
        *,
        streams: Sequence[StreamSpec],
        clock: Clock,
        texts: Mapping[str, str] | None = None,
        files: Mapping[str, bytes] | None = None,
        attributes: Mapping[str, str | int | float] | None = None,
        instruments: Sequence[Mapping[str, str]] = (),
        flush_interval_s: float = 0.25,
        sync_interval_s: float = 10.0,
        disk: Disk | None = None,
    ) -> RecordWriter:
        """
        Begin a record: the journal first, then the HDF5 file with room for what is planned.

        Args:
            path: The HDF5 file; its folder exists. The journal lies beside it.
            streams: What will be appended, in the order of the file.
            clock: Dates the record; syncing goes by real time.
            texts: Exact texts, "sequence" and "bench" above all.
            files: Exact bytes of further files by their name, e.g. path tables.
            attributes: Facts of the run; become attributes of the file's root.
            instruments: One mapping per instrument.
            flush_interval_s: At most this, and the time of one sync, is lost in a power cut. [s]
            sync_interval_s: How often the HDF5 file itself is synced. [s]
            disk: Stands between the record and the file system; for tests.

        Raises:
            RecordExistsError: `path` or its journal exists.
            RecordError: No room for what is planned, or the disk fails; nothing is left behind.
        """
        path, disk = Path(path), disk or Disk()
        if not (0 < flush_interval_s <= sync_interval_s):
            raise MisuseError(f"flush interval {flush_interval_s} s must be above zero, and the sync interval no shorter")
        description = Description(
            record_id=uuid.uuid4().hex,
            created_s=clock.now(),
            written_by=f"benchkit {VERSION}, h5py {h5py.__version__}, HDF5 {h5py.version.hdf5_version}",
            streams=tuple(streams),
            texts=dict(texts or {}),
            files=dict(files or {}),
            attributes=dict(attributes or {}),
            instruments=tuple(instruments),
        )
        journal, live = begin(path, description, disk)
        return cls(journal, live, clock, disk, flush_interval_s, sync_interval_s, None)

    @classmethod
    def resume(
        cls,
        path: Path | str,
        *,
        clock: Clock,
        flush_interval_s: float = 0.25,
        sync_interval_s: float = 10.0,
        disk: Disk | None = None,
        sealed_too: bool = False,
    ) -> RecordWriter:
        """
        Recover a record that was not finished, and go on in it; `recovery` says what was found.

        Args:
            sealed_too: A sealed record is opened again: every row stays, its results, verdicts and outcome go and are to be
                given anew to finish().

        Raises:
            FormatError: It is sealed, or was changed since; or not a record that this benchkit reads.
            RecordError: Another process is writing it, or the disk fails.
        """
        disk = disk or Disk()
        journal, live, recovery = reopen(Path(path), disk)
        if journal is None and sealed_too:
            unseal(Path(path), disk)
            journal, live, recovery = reopen(Path(path), disk)
        if journal is None or live is None:
            raise FormatError(f"{path} is sealed: it was finished, and nothing can be added")
        return cls(journal, live, clock, disk, flush_interval_s, sync_interval_s, recovery)

    def __enter__(self) -> RecordWriter:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.abandon()

    @property
    def is_closed(self) -> bool:
        return self._closed

    def rows(self, stream: str) -> int:
        """Rows acknowledged so far."""
        return self._stream(stream).rows

    def append(self, stream: str, row: Mapping[str, Value]) -> int:
        """
        Add one row. When this returns it is acknowledged: no kill takes it back.

        Args:
            stream: Name of a stream.
            row: By column. A float left out is NaN, a text left out is empty; a whole number must be given.

        Returns:
            Number of the row, from 0; of the first, where a long `text` takes several.

        Raises:
            MisuseError: No such stream or column, or a value that the column can't hold. Nothing was written.
            RecordError: The disk is full or failing; now, or in the background since the last call.
            ClosedError: After finish() or abandon().
        """
        into = self._stream(stream)
        packed, cut = into.packer.pack(row)
        try:
            with self._rows:
                self._check()
                if cut:
                    self._tell_whole(into, cut)
                first = into.rows
                for payload in packed:
                    self._put(into, payload)
        except OSError as error:
            raise record_error(self.path, f"appending to {stream}", error, self._disk) from error
        if len(into.waiting) > _MOST_WAITING:
            self.flush()
        return first

    def _put(self, into: _Stream, payload: bytes) -> None:
        # The order holds even if a signal's exception comes between two lines: a row that is in the journal but not
        # counted is written again under the same number, and the last one holds.
        row = into.rows
        self._journal.append(into.number, row, payload)
        into.waiting[(row - into.first) * into.packer.size :] = payload
        into.rows = row + 1

    def _tell_whole(self, of: _Stream, cut: Mapping[str, str]) -> None:
        """Prose that does not fit its column goes whole to the events, just before the row it belongs to."""
        events = self._streams.get(EVENTS)
        for column, text in cut.items():
            if events is None or events is of:
                raise MisuseError(f"{of.spec.name}.{column}: {text!r} does not fit, and no events stream can take it whole")
            whole = f"row {of.rows} of {of.spec.name}, {column}: {text}"
            packed, _ = events.packer.pack(
                {"time_s": self._clock.now(), "severity": "info", "kind": "text cut elsewhere", "text": whole}
            )
            for payload in packed:
                self._put(events, payload)

    def flush(self) -> None:
        """
        Everything acknowledged so far: synced, and in the HDF5 file for every reader.

        Raises:
            RecordError: The disk is full or failing.
        """
        self._check()
        self._flusher.flush()

    def finish(
        self,
        outcome: str,
        message: str,
        results: Sequence[Result] = (),
        verdicts: Sequence[Verdict] = (),
        *,
        compress: bool = False,
    ) -> None:
        """
        Seal the record and let go of it: trimmed to its rows, with results, under the same name; the journal is
        removed.

        Args:
            outcome: How it ended, in a word.
            message: The one line that says what happened.
            results: Numbers to report.
            verdicts: Expectations judged; each `result` is one of `results`.
            compress: gzip for columns from 64 kB on: smaller, and several times slower to write.

        Raises:
            RecordError: It could not be sealed. It is closed all the same, whole and unfinished: resume() it to try
            again.
        """
        self._close_to_rows()
        try:
            self._flusher.stop()
            self._flusher.check()
            seal(
                self._live,
                self._journal,
                self._disk,
                outcome=outcome,
                message=message,
                ended_s=self._clock.now(),
                results=results,
                verdicts=verdicts,
                compress=compress,
            )
        except OSError as error:
            raise record_error(self.path, "sealing the record", error, self._disk) from error
        finally:
            self._let_go()

    def abandon(self) -> None:
        """
        Let go without sealing: the record stays as a killed run leaves it, synced, and can be resumed. Again is fine.

        Raises:
            RecordError: The last rows could not be synced, and no call before has said so. It is closed all the same.
        """
        if self._closed:
            return
        self._close_to_rows()
        told = self._flusher.is_told
        try:
            self._flusher.stop()
            if not told:
                self._flusher.check()
        finally:
            self._let_go()

    def _stream(self, name: str) -> _Stream:
        try:
            return self._streams[name]
        except KeyError:
            raise MisuseError(f"{self.path} has no stream {name!r}; it has {', '.join(self._streams)}") from None

    def _check(self) -> None:
        if self._closed:
            raise ClosedError(f"{self.path}: this writer is closed")
        self._flusher.check()

    def _close_to_rows(self) -> None:
        # Under the lock, so that no row is acknowledged after the last flush.
        with self._rows:
            if self._closed:
                raise ClosedError(f"{self.path}: this writer is closed")
            self._closed = True

    def _take(self) -> tuple[list[Batch], int]:
        """Rows that wait, and the length of the journal that holds them and all before."""
        with self._rows:
            taken = [Batch(stream.spec, stream.first, stream.waiting) for stream in self._streams.values() if stream.waiting]
            for batch in taken:
                stream = self._streams[batch.spec.name]
                stream.first, stream.waiting = stream.rows, bytearray()
            return taken, self._journal.end

    def _vouch(self, synced: int) -> None:
        # Without room for it nothing is lost: a damage of the journal found later would cost more rows, that is all. The next
        # append() meets the same disk, and tells.
        with self._rows, contextlib.suppress(OSError):
            self._journal.vouch(synced)

    def _journal_again(self, trouble: str) -> None:
        """Called by the flusher's thread. Nobody appends meanwhile: it takes as long as reading all rows and writing them."""
        with self._rows:
            for name, stream in self._streams.items():
                if stream.waiting:
                    self._live.write(name, stream.first, np.frombuffer(stream.waiting, stream.spec.row_dtype))
                    self._live.count(name, stream.rows)
                    stream.first, stream.waiting = stream.rows, bytearray()
            write_again(self._journal, self._live, self._disk)
            events = self._streams.get(EVENTS)
            if events is not None:
                text = f"{self._journal.path.name} {trouble} while the record grew; it was written anew, and nothing is lost"
                kind = "journal written anew"
                row: dict[str, Value] = {"time_s": self._clock.now(), "severity": "warning", "kind": kind, "text": text}
                for payload in events.packer.pack(row)[0]:
                    self._put(events, payload)

    def _let_go(self) -> None:
        if self._flusher.is_running:
            return  # the wait for it was interrupted; it may be writing, and the process is about to end
        self._live.close()
        self._journal.close()
