"""One record as the report needs it."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

import pandas as pd

from benchkit.bench.load import Bench
from benchkit.errors import FileError, Mistake
from benchkit.record.layout import is_simulated
from benchkit.results.result import Parameter, Result
from benchkit.results.verdict import Verdict
from benchkit.sequence.load import Sequence as LoadedSequence

__all__ = ["Judged", "Source", "Streams", "check_comparable", "lot_and_wafer"]

Attributes = Mapping[str, str | int | float]


@dataclass(frozen=True)
class Streams:
    """The record's tables, each a row per entry; columns as benchkit.engine.columns names them."""

    points: pd.DataFrame
    ladders: pd.DataFrame
    events: pd.DataFrame
    chamber: pd.DataFrame
    bias: pd.DataFrame
    own: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    """Of the kinds themselves, by name."""


@dataclass(frozen=True)
class Judged:
    """A verdict, and the positions of the expectation and the result that it is about; -1: none."""

    expectation: int
    result: int
    verdict: Verdict


@dataclass(frozen=True)
class Source:
    """
    One record, read.

    Attributes:
        label: What tells its unit from the other records' in this report.
        is_interim: Results and verdicts were summed up just now, from a record that is not sealed.
        sequence, bench: The stored texts, loaded; None when this benchkit cannot read them, and then the `_trouble` says why.
    """

    path: Path
    label: str
    attributes: Attributes
    instruments: Sequence[Mapping[str, str]]
    streams: Streams
    results: tuple[Result, ...]
    verdicts: tuple[Judged, ...]
    outcome: str
    message: str
    is_sealed: bool
    is_interim: bool
    digest: str
    record_id: str
    written_by: str
    sequence_text: str
    bench_text: str
    files: Mapping[str, bytes] = field(default_factory=dict)
    sequence: LoadedSequence | None = None
    sequence_trouble: str = ""
    bench: Bench | None = None
    bench_trouble: str = ""
    changes: tuple[str, ...] = ()
    """What was changed since it was sealed; empty: nothing, or it is not sealed."""

    def text(self, name: str, missing: str = "not stated") -> str:
        """An attribute as text."""
        return str(self.attributes.get(name, "")).strip() or missing

    @cached_property
    def about_bench(self) -> frozenset[str]:
        """Titles of the measurements that look at the bench and not at the part."""
        if self.sequence is None:
            return frozenset()
        return frozenset(block.title for block in self.sequence.file.measurements if block.about_bench)

    @cached_property
    def parameters_about_bench(self) -> dict[str, Parameter]:
        """By name: those of the bench, of measurements whose other numbers are of the part."""
        blocks = () if self.sequence is None else self.sequence.file.measurements
        return {one.name: one for block in blocks for one in block.parameters if one.about_bench}

    def is_about_bench(self, result: Result) -> bool:
        """Whether a result says nothing of the part."""
        return result.measurement in self.about_bench or result.parameter in self.parameters_about_bench

    @property
    def serial(self) -> str:
        return self.text("unit")

    @property
    def is_simulated(self) -> bool | None:
        """None: the record does not say."""
        return is_simulated(self.attributes)

    @property
    def started_s(self) -> float:
        """When the run began; NaN when the record does not say. [s]"""
        return float(self.attributes.get("started_s", math.nan))

    @property
    def ended_s(self) -> float:
        """The last moment that any stream tells of; NaN when none does. [s]"""
        frames = (self.streams.events, self.streams.points, self.streams.chamber)
        moments = [float(frame["time_s"].max()) for frame in frames if len(frame)]
        return max(moments) if moments else math.nan

    @property
    def sequence_digest(self) -> str:
        return hashlib.sha256(self.sequence_text.encode()).hexdigest()

    @property
    def bench_digest(self) -> str:
        return hashlib.sha256(self.bench_text.encode()).hexdigest()


def check_comparable(sources: Sequence[Source]) -> None:
    """
    Several records make one data sheet only if they are of one part and at one set of planes, and each is named once.

    Raises:
        FileError: They don't; names each.
    """
    if len({source.text("part") for source in sources}) > 1:
        raise FileError(
            [
                Mistake(
                    str(source.path),
                    None,
                    "part",
                    f"is of part {source.text('part')}; one data sheet is of one part: write one report for each part",
                )
                for source in sources
            ]
        )
    planes: dict[tuple[str, str], dict[str, Source]] = {}
    for source in sources:
        for result in source.results:
            planes.setdefault((result.parameter, result.qualifier), {}).setdefault(result.plane, source)
    apart = [
        Mistake(str(source.path), None, name, f"is at the plane {plane!r}, and at another in another of these records; numbers "
                "at different planes are no one quantity: correct them to one plane, or write one report for each")
        for (name, _), by_plane in planes.items() if len(set(map(id, by_plane.values()))) > 1
        for plane, source in by_plane.items()
    ]  # fmt: skip
    if apart:
        raise FileError(apart)
    ids = [source.record_id for source in sources]
    twice = [source for source in sources if ids.count(source.record_id) > 1]
    if twice:
        raise FileError(
            [Mistake(str(source.path), None, "", "is a record named twice, or its copy; give each once") for source in twice]
        )


_SERIAL = re.compile(r"(?P<lot>L\d+)-(?P<wafer>W\d+)-(?P<unit>\w+)")


def lot_and_wafer(serial: str) -> tuple[str, str]:
    """Lot and wafer, where the serial number tells them (L07-W1-01: lot L07, wafer W1); else both ""."""
    found = _SERIAL.fullmatch(serial)
    return (found["lot"], found["wafer"]) if found else ("", "")
