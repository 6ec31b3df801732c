"""One record as the report needs it: everything read, then the file is closed again."""

from __future__ import annotations

import hashlib
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import pandas as pd

from benchkit.bench.load import Bench, load_bench_text
from benchkit.errors import FileError, Mistake
from benchkit.record import Record
from benchkit.results.result import Result
from benchkit.results.verdict import Verdict
from benchkit.sequence.load import Sequence as LoadedSequence
from benchkit.sequence.load import load_sequence_text

__all__ = ["Judged", "Source", "Streams", "check_comparable", "lot_and_wafer", "read_sources"]

Attributes = Mapping[str, str | int | float]


@dataclass(frozen=True)
class Streams:
    """The record's tables, each a row per entry; columns as benchkit.engine.columns names them."""

    points: pd.DataFrame
    ladders: pd.DataFrame
    events: pd.DataFrame
    chamber: pd.DataFrame
    bias: pd.DataFrame


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

    def text(self, name: str, missing: str = "not stated") -> str:
        """An attribute as text."""
        return str(self.attributes.get(name, "")).strip() or missing

    @property
    def serial(self) -> str:
        return self.text("unit")

    @property
    def is_simulated(self) -> bool | None:
        """None: the record does not say."""
        value = self.attributes.get("simulated")
        return None if value is None else bool(int(value))

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


def read_sources(paths: Sequence[Path]) -> list[Source]:
    """
    Every record read, and no file kept open.

    Raises:
        FormatError: One is not a record that this benchkit reads.
        FileError: They don't make one data sheet: see check_comparable().
    """
    records = []
    for path in paths:
        with Record.open(path) as record:
            records.append(_read(record))
    check_comparable(records)
    return [replace(record, label=label) for record, label in zip(records, _labels(records), strict=True)]


def _read(record: Record) -> Source:
    sequence, sequence_trouble, bench, bench_trouble = _described(record)
    streams = Streams(record.points(), record.ladders(), record.events(), record.chamber(), record.bias())
    results = tuple(record.results())
    if record.is_sealed:
        places = record.verdicts_table()["result"] if len(record.verdicts_table()) else []
        verdicts = tuple(
            Judged(-1 if verdict.expectation is None else verdict.expectation, int(place), verdict)
            for verdict, place in zip(record.verdicts(), places, strict=True)
        )
    else:
        results, verdicts = _interim(sequence, streams)
    return Source(
        path=record.path,
        label="",
        attributes=record.attributes,
        instruments=tuple(record.instruments),
        streams=streams,
        results=results,
        verdicts=verdicts,
        outcome=record.outcome,
        message=record.message,
        is_sealed=record.is_sealed,
        is_interim=not record.is_sealed,
        digest=record.digest,
        record_id=record.record_id,
        written_by=record.written_by,
        sequence_text=record.sequence_text,
        bench_text=record.bench_text,
        files=record.files,
        sequence=sequence,
        sequence_trouble=sequence_trouble,
        bench=bench,
        bench_trouble=bench_trouble,
    )


def _interim(sequence: LoadedSequence | None, streams: Streams) -> tuple[tuple[Result, ...], tuple[Judged, ...]]:
    """What the finished ladders of an unsealed record give."""
    if sequence is None:
        return (), ()
    # Late: brings the whole campaign along, and sealed records don't need it.
    from benchkit.campaign.summary import judge_results, summarise

    results = summarise(sequence, streams.points, streams.ladders)
    places = {id(result): place for place, result in enumerate(results)}
    return tuple(results), tuple(
        Judged(
            -1 if verdict.expectation is None else verdict.expectation,
            -1 if verdict.result is None else places[id(verdict.result)],
            verdict,
        )
        for verdict in judge_results(sequence, results)
    )


def _described(record: Record) -> tuple[LoadedSequence | None, str, Bench | None, str]:
    """Both stored texts loaded; where that fails, None and the reason: an old record still has its numbers."""
    sequence: LoadedSequence | None = None
    bench: Bench | None = None
    sequence_trouble = bench_trouble = ""
    try:
        sequence = load_sequence_text(
            record.sequence_text, str(record.attributes.get("sequence_file", "sequence.yaml"))
        )
    except FileError as error:
        sequence_trouble = str(error)
    try:
        bench = load_bench_text(record.bench_text, str(record.attributes.get("bench_file", "bench.yaml")), record.files)
    except FileError as error:
        bench_trouble = str(error)
    return sequence, sequence_trouble, bench, bench_trouble


def _labels(sources: Sequence[Source]) -> list[str]:
    """A label per record: its unit's serial number, with the file's name and then a number where one comes twice."""
    serials = [source.serial for source in sources]
    names = [
        source.serial if serials.count(source.serial) == 1 else f"{source.serial} ({source.path.stem})"
        for source in sources
    ]
    return [name if names.count(name) == 1 else f"{name} #{place}" for place, name in enumerate(names, 1)]


def check_comparable(sources: Sequence[Source]) -> None:
    """
    Several records make one data sheet only if they are of one part, and each is named once.

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
