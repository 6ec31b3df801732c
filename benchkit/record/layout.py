"""
What a record is made of, as values: streams and their columns, and the description that is fixed when a record begins.

No I/O. FORMAT.md beside this file is the promise to readers; the names and numbers here are the ones it states.
"""

from __future__ import annotations

import base64
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from benchkit.errors import FormatError, MisuseError
from benchkit.measurements.base import Column

__all__ = [
    "KINDS",
    "RESERVED_ATTRIBUTES",
    "ROOT_KIND",
    "ROW",
    "RUNNING",
    "SEALED",
    "SERVED",
    "TIME_UNITS",
    "VERSION",
    "Description",
    "StreamSpec",
    "is_simulated",
]

ROOT_KIND = "benchkit record"
VERSION = 1
RUNNING = "running"
SEALED = "sealed"
TIME_UNITS = "seconds since 1970-01-01T00:00:00Z"
"""Units of every column that holds a moment; xarray makes dates of it (CF conventions, 4.4)."""

# Every group says what it is; a reader knows these kinds, each in VERSION.
KINDS = {"status": "status", "texts": "texts", "files": "files", "instruments": "table", "results": "results",
         "budgets": "budgets", "verdicts": "verdicts"}  # fmt: skip
ROW = "row"
"""Dimension scale of every table: 0, 1, 2, ..."""

RESERVED_ATTRIBUTES = frozenset(
    {"kind", "version", "state", "record_id", "Conventions", "created_s", "written_by", "ended_s", "outcome", "message",
     "digest"}
)  # fmt: skip
_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_DTYPE = re.compile(r"f8|i8|S[1-9][0-9]{0,4}")


@dataclass(frozen=True)
class StreamSpec:
    """
    One stream: rows that are appended one at a time while the run lasts.

    Attributes:
        name: Letters, digits and underscores; names the group in the record.
        columns: At least one; dtype "f8", "i8" or "S<n>" (n bytes of UTF-8). Row size at most 1 MB.
        capacity: Rows the plan needs; room for them is made at the start. More rows are no mistake, only a pause.
    """

    name: str
    columns: tuple[Column, ...]
    capacity: int

    def __post_init__(self) -> None:
        object.__setattr__(self, "columns", tuple(self.columns))
        if not _NAME.fullmatch(self.name) or self.name in KINDS:
            raise MisuseError(f"stream name {self.name!r}: letters, digits and underscores, and none of {', '.join(KINDS)}")
        names = [column.name for column in self.columns]
        if not names or len(set(names)) != len(names):
            raise MisuseError(f"stream {self.name}: needs at least one column, each name once; has {names}")
        for column in self.columns:
            if not _NAME.fullmatch(column.name) or column.name == ROW:
                raise MisuseError(f"stream {self.name}: column name {column.name!r} is not letters, digits, underscores")
            if not _DTYPE.fullmatch(column.dtype):
                raise MisuseError(f"stream {self.name}: column {column.name} is {column.dtype!r}; expected f8, i8 or S<n>")
        if self.row_dtype.itemsize > 1_000_000:
            raise MisuseError(f"stream {self.name}: a row of {self.row_dtype.itemsize} bytes is above the limit 1000000")
        if self.capacity < 0:
            raise MisuseError(f"stream {self.name}: capacity is {self.capacity}; expected zero or more")

    @cached_property
    def row_dtype(self) -> np.dtype[np.void]:
        """One packed row, little-endian, as it stands in the journal."""
        return np.dtype([(c.name, c.dtype if c.dtype[0] == "S" else "<" + c.dtype) for c in self.columns])


@dataclass(frozen=True)
class Description:
    """
    All that is fixed when a record begins. The journal's first frame holds it too, so that it alone can rebuild the
    file.
    """

    record_id: str
    created_s: float
    written_by: str
    streams: tuple[StreamSpec, ...]
    texts: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, bytes] = field(default_factory=dict)
    attributes: Mapping[str, str | int | float] = field(default_factory=dict)
    instruments: Sequence[Mapping[str, str]] = ()

    def __post_init__(self) -> None:
        names = [stream.name for stream in self.streams]
        if not names or len(set(names)) != len(names) or len(names) > 255:
            raise MisuseError(f"a record needs 1 to 255 streams, each name once; has {names}")
        for key, value in self.attributes.items():
            if not _NAME.fullmatch(key) or key in RESERVED_ATTRIBUTES:
                raise MisuseError(f"attribute {key!r}: not letters, digits, underscores, or one the record itself uses")
            if not isinstance(value, str | int | float):
                raise MisuseError(f"attribute {key} is a {type(value).__name__}; expected text, int or float")
        for key, text in self.texts.items():
            if not _NAME.fullmatch(key):
                raise MisuseError(f"text {key!r}: its name is not letters, digits, underscores")
            if "\0" in text:
                raise MisuseError(f"text {key} holds a NUL character, which a fixed-length text can't end in")
        for name in {name for row in self.instruments for name in row}:
            if not _NAME.fullmatch(name) or name == ROW:
                raise MisuseError(f"instruments: {name!r} is not letters, digits, underscores")

    def to_json(self) -> bytes:
        streams = [
            {"name": s.name, "capacity": s.capacity, "columns": [vars(column) for column in s.columns]} for s in self.streams
        ]
        files = {name: base64.b64encode(data).decode("ascii") for name, data in self.files.items()}
        fixed = {**vars(self), "streams": streams, "files": files, "kind": ROOT_KIND, "version": VERSION,
                 "texts": dict(self.texts), "attributes": dict(self.attributes),
                 "instruments": [dict(row) for row in self.instruments]}  # fmt: skip
        return json.dumps(fixed).encode("ascii")

    @classmethod
    def from_json(cls, data: bytes, where: str) -> Description:
        """
        Raises:
            FormatError: Of another kind or version; `where` names the file.
        """
        fixed = json.loads(data)
        kind, version = fixed.pop("kind", None), fixed.pop("version", None)
        if (kind, version) != (ROOT_KIND, VERSION):
            raise FormatError(f"{where} is a {kind!r}, version {version}; this benchkit reads {ROOT_KIND!r}, version [{VERSION}]")
        fixed["streams"] = tuple(
            StreamSpec(s["name"], tuple(Column(**column) for column in s["columns"]), s["capacity"]) for s in fixed["streams"]
        )
        fixed["files"] = {name: base64.b64decode(text) for name, text in fixed["files"].items()}
        return cls(**fixed)


SERVED = "simulated_bench"
"""Attribute of a record: 1, when a run's instruments were simulated ones behind real addresses."""


def is_simulated(facts: Mapping[str, object]) -> bool | None:
    """Whether no device was measured: a rehearsal, or a run on a simulated bench that was served; None: not said."""
    if "simulated" not in facts:
        return None
    return any(float(str(facts.get(name, 0))) != 0 for name in ("simulated", SERVED))
