"""
Reading a record: finished, running or killed; what open() saw is what every later call gives.

Of a sealed record everything is in the HDF5 file. Of any other, rows below `<stream>_rows_safe` come from the file and
the later ones from the journal, so that every acknowledged row is there and none that a power cut could have torn.
Nothing is written.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal

import h5py
import pandas as pd

from benchkit.errors import ClosedError, FormatError
from benchkit.measurements.base import Column
from benchkit.record import digest
from benchkit.record.damage import telling_damage
from benchkit.record.findings import results_from, verdicts_from
from benchkit.record.frames import Tail, column_of, frame_of, plain_attributes, read_tail
from benchkit.record.journal import journal_path
from benchkit.record.layout import RESERVED_ATTRIBUTES, ROOT_KIND, ROW, SEALED, VERSION
from benchkit.results.result import Result
from benchkit.results.verdict import Verdict

if TYPE_CHECKING:
    from benchkit.record.sweeps import SParameterSweep

__all__ = ["Record"]

# By kind of group: the versions that this benchkit reads.
_READS = {ROOT_KIND: (VERSION,), "stream": (VERSION,), "table": (VERSION,), "texts": (VERSION,), "files": (VERSION,),
          "status": (VERSION,), "results": (VERSION,), "budgets": (VERSION,), "verdicts": (VERSION,)}  # fmt: skip


class Record:
    """
    One record, open for reading; a context manager.

    Attributes:
        path: The HDF5 file.
        state: "sealed", or "running or killed": which of the two can't be told from the files.
        attributes: Facts of the run, as the run gave them.
        record_id: 32 hexadecimal digits, of this record alone.
        created_s: When it was begun. [s since 1970-01-01T00:00:00Z]
        ended_s: When it was sealed; None before. [s since 1970-01-01T00:00:00Z]
        outcome, message: How it ended, in a word and in a line; empty before it is sealed.
        written_by: benchkit and HDF5, with versions.
        texts, files: Exact texts, and exact bytes by file name.
        instruments: One mapping per instrument.
        streams: Columns by stream, in the order in which the run began them.
    """

    def __init__(self, path: Path, h5: h5py.File) -> None:
        self.path, self._h5 = path, h5
        _check_kind(path, h5, ROOT_KIND)
        root = plain_attributes(h5)
        self.state: Literal["sealed", "running or killed"] = "sealed" if root["state"] == SEALED else "running or killed"
        self.record_id = str(root["record_id"])
        self.created_s = float(root["created_s"])
        self.ended_s = float(root["ended_s"]) if "ended_s" in root else None
        self.outcome, self.message = str(root.get("outcome", "")), str(root.get("message", ""))
        self.written_by = str(root["written_by"])
        self.attributes: dict[str, str | int | float] = {k: v for k, v in root.items() if k not in RESERVED_ATTRIBUTES}
        self.texts: dict[str, str] = {name: stored[()].decode() for name, stored in self._group("texts", "texts").items()}
        self.files: dict[str, bytes] = {
            stored.attrs["path"]: stored[()].tobytes() for stored in self._group("files", "files").values()
        }
        self.streams = {name: _columns(group) for name, group in h5.items() if plain_attributes(group).get("kind") == "stream"}
        self.instruments: list[dict[str, str]] = [dict(row) for row in _rows(self.instruments_table())]
        self._tail = Tail({}, {}) if self.is_sealed else read_tail(h5, journal_path(path), self.record_id, self.streams)

    @classmethod
    def open(cls, path: Path | str) -> Record:
        """
        Raises:
            FormatError: Not there, or not a record that this benchkit reads; says what it is and what would do.
        """
        path = Path(path)
        try:
            h5 = h5py.File(path, "r")
        except OSError as error:
            raise FormatError(_why_not(path, error)) from error
        try:
            return cls(path, h5)
        except (KeyError, ValueError, AttributeError, OSError, RuntimeError) as error:
            h5.close()
            raise FormatError(f"{path} is damaged, or not a record of benchkit: {error}") from error
        except BaseException:
            h5.close()
            raise

    def __enter__(self) -> Record:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file; again is fine."""
        self._h5.close()

    @property
    def is_sealed(self) -> bool:
        return self.state == "sealed"

    @property
    def sequence_text(self) -> str:
        """The sequence file's exact text; empty when the run gave none."""
        return self.texts.get("sequence", "")

    @property
    def bench_text(self) -> str:
        """The bench file's exact text; empty when the run gave none."""
        return self.texts.get("bench", "")

    def rows(self, stream: str) -> int:
        """Rows that stream() gives."""
        columns = self._stream_columns(stream)
        return self._tail.rows[stream] if not self.is_sealed else len(self._h5[stream][columns[0].name])

    def stream(self, name: str, *, last: int | None = None) -> pd.DataFrame:
        """
        One stream as a table, a row per row.

        Args:
            last: Only so many rows, the newest; whoever polls a growing record of a million points reads no more than that.

        Returns:
            float64, int64 and text columns; `attrs` holds "units", "long_name" and "plane", each a dict by column.

        Raises:
            FormatError: The record has no such stream.
        """
        columns = self._stream_columns(name)
        group = self._group(name, "stream")
        rows = self.rows(name)
        first = 0 if last is None else max(0, rows - last)
        with self.reading(name):
            arrays = {c.name: column_of(group[c.name], rows, self._tail.of(name, c.name), first) for c in columns}
            return frame_of(arrays, columns)

    def points(self) -> pd.DataFrame:
        """stream("points"): one row per point."""
        return self.stream("points")

    def ladders(self) -> pd.DataFrame:
        """stream("ladders"): one row per attempt at a drive ladder."""
        return self.stream("ladders")

    def events(self) -> pd.DataFrame:
        """stream("events"): the run's log. A text that begins with an ellipsis goes on from the row before."""
        return self.stream("events")

    def chamber(self) -> pd.DataFrame:
        """stream("chamber"): the chamber log."""
        return self.stream("chamber")

    def bias(self) -> pd.DataFrame:
        """stream("bias"): bias states reached."""
        return self.stream("bias")

    def s_parameters(self) -> list[SParameterSweep]:
        """Finished sweeps of a network analyser as complex arrays with their frequency axis; none: there were none."""
        # Late: brings the mathematics of calibration along.
        from benchkit.record.sweeps import sweeps_from

        if "network" not in self.streams:
            return []
        with self.reading("network"):
            return sweeps_from(self.stream("network"), self.ladders())

    def instruments_table(self) -> pd.DataFrame:
        """Instruments as a table, one row each."""
        return self._table("instruments", "table")

    def results_table(self) -> pd.DataFrame:
        """Results as a table; empty before the record is sealed."""
        return self._table("results", "results") if self.is_sealed else pd.DataFrame()

    def budgets_table(self) -> pd.DataFrame:
        """
        What the results' uncertainties are made of, as a table; `result` is a row of results_table().

        Empty before the record is sealed, and in a record from before there were budgets.
        """
        return self._table("budgets", "budgets") if self.is_sealed and "budgets" in self._h5 else pd.DataFrame()

    def verdicts_table(self) -> pd.DataFrame:
        """Verdicts as a table; `result` is a row of results_table(). Empty before the record is sealed."""
        return self._table("verdicts", "verdicts") if self.is_sealed else pd.DataFrame()

    def results(self) -> list[Result]:
        """Results as they were when the record was sealed; none before."""
        with self.reading("results"):
            return results_from(_rows(self.results_table()), _rows(self.budgets_table()))

    def verdicts(self) -> list[Verdict]:
        """Expectations as they were judged when the record was sealed; none before."""
        with self.reading("verdicts"):
            return verdicts_from(_rows(self.verdicts_table()), self.results())

    @contextlib.contextmanager
    def reading(self, what: str) -> Iterator[None]:
        """
        While something of the record is made sense of: what damage makes of it is told as damage.

        Raises:
            FormatError: In place of a column that is missing, a table whose columns are not as long, a number that leads nowhere.
                Where the record is as it was sealed, the error itself.
        """
        with telling_damage(f"{what} can't be read", lambda: {str(self.path): self.changes() if self.is_sealed else ()}):
            yield

    @property
    def digest(self) -> str:
        """SHA-256 over everything in a sealed record; empty before."""
        return str(self._h5.attrs.get("digest", ""))

    def changes(self) -> list[str]:
        """
        What was changed since the record was sealed; empty when nothing was. Reads everything.

        Raises:
            FormatError: The record is not sealed.
        """
        if not self.is_sealed:
            raise FormatError(f"{self.path} is not sealed; there is nothing yet to hold it against")
        return digest.changed(self._h5)

    def _stream_columns(self, name: str) -> tuple[Column, ...]:
        if not self._h5:
            raise ClosedError(f"{self.path}: this record is closed")
        if name not in self.streams:
            raise FormatError(f"{self.path} has no stream {name!r}; it has {', '.join(self.streams)}")
        return self.streams[name]

    def _group(self, name: str, kind: str) -> h5py.Group:
        if not self._h5:
            raise ClosedError(f"{self.path}: this record is closed")
        group = self._h5[name]
        _check_kind(self.path, group, kind)
        return group

    def _table(self, name: str, kind: str) -> pd.DataFrame:
        group = self._group(name, kind)
        columns = _columns(group)
        with self.reading(name):
            return frame_of({c.name: column_of(group[c.name], len(group[c.name]), None) for c in columns}, columns)


def _columns(group: h5py.Group) -> tuple[Column, ...]:
    found = []
    for name, stored in group.items():
        if name != ROW:
            has = plain_attributes(stored)
            dtype = f"S{stored.dtype.itemsize}" if stored.dtype.kind == "S" else stored.dtype.str[1:]
            found.append(Column(name, has.get("units", ""), has.get("long_name", ""), dtype, has.get("plane", "")))
    return tuple(found)


def _rows(table: pd.DataFrame) -> list[Mapping[str, Any]]:
    return [dict(zip(table.columns, row, strict=True)) for row in table.astype(object).itertuples(index=False, name=None)]


def _check_kind(path: Path, group: h5py.Group, kind: str) -> None:
    has = plain_attributes(group)
    found = (has.get("kind"), has.get("version"))
    if found[0] != kind or found[1] not in _READS[kind]:
        raise FormatError(
            f"{path}:{group.name} is a {found[0]!r}, version {found[1]}; "
            f"this benchkit reads {kind!r}, versions {list(_READS[kind])}"
        )


def _why_not(path: Path, error: OSError) -> str:
    beside = journal_path(path)
    if beside.exists():
        return f"{path} can't be opened ({error}), but its journal {beside.name} is there: recover() rebuilds it"
    if not path.exists():
        return f"{path}: there is no such file"
    if path.is_file() and not h5py.is_hdf5(path):
        return f"{path} is not a record of benchkit: it is no HDF5 file, or its beginning is gone"
    return f"{path} can't be opened: {error}"
