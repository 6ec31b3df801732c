"""Records from disk to sources: everything read at once, and no file kept open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pandas as pd

from benchkit.bench.load import Bench, load_bench_text
from benchkit.errors import FileError
from benchkit.record import Record
from benchkit.report.digits import day
from benchkit.report.options import check_occasions
from benchkit.report.source import Judged, Source, Streams, check_comparable
from benchkit.results.result import Result
from benchkit.results.verdict import Verdict
from benchkit.sequence.load import Sequence as LoadedSequence
from benchkit.sequence.load import load_sequence_text

__all__ = ["read_sources"]


def read_sources(paths: Sequence[Path], occasions: Sequence[str] = ()) -> list[Source]:
    """
    Every record read, and no file kept open.

    Args:
        occasions: One for each record, for its label; empty: the day tells, where a unit comes twice.

    Raises:
        FormatError: One is not a record that this benchkit reads.
        FileError: They don't make one data sheet: see check_comparable().
    """
    check_occasions(occasions, len(paths))
    records = []
    for path in paths:
        with Record.open(path) as record:
            records.append(_read(record))
    check_comparable(records)
    return [replace(record, label=label) for record, label in zip(records, _labels(records, occasions), strict=True)]


def _read(record: Record) -> Source:
    sequence, sequence_trouble, bench, bench_trouble = _described(record)
    points, ladders, events, chamber, bias = (
        _handy(record.stream(name)) for name in ("points", "ladders", "events", "chamber", "bias")
    )
    streams = Streams(points, ladders, events, chamber, bias, {} if sequence is None else _own(record, sequence))
    results = tuple(record.results())
    if record.is_sealed:
        verdicts = _stored_verdicts(record.verdicts_table())
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
        changes=tuple(record.changes()) if record.is_sealed else (),
    )


def _own(record: Record, sequence: LoadedSequence) -> dict[str, pd.DataFrame]:
    blocks = (*sequence.file.measurements, *((sequence.file.sentinel,) if sequence.file.sentinel else ()))
    names = {stream.name for block in blocks for stream in block.streams}
    return {name: _handy(record.stream(name)) for name in sorted(names) if name in record.streams}


def _handy(frame: pd.DataFrame) -> pd.DataFrame:
    """
    The same table, quick to take apart.

    pandas copies `attrs` deeply with every slice, which costs more than all else here; and in one block per type,
    instead of one per column, a slice is one slice.
    """
    frame = frame.copy()
    frame.attrs = {}
    return frame


def _stored_verdicts(table: pd.DataFrame) -> tuple[Judged, ...]:
    """Verdicts by their positions: read once, results not read again for each of them."""
    return tuple(
        Judged(
            int(row["expectation"]),
            int(row["result"]),
            Verdict(
                outcome=row["outcome"], reason=row["reason"], rule=row["rule"],
                minimum=float(row["minimum"]), maximum=float(row["maximum"]), margin=float(row["margin"]),
                guard_band=float(row["guard_band"]), probability=float(row["probability"]),
            ),
        )
        for row in _rows(table)
    )  # fmt: skip


def _rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Column by column: going through a text column's elements one by one is what pandas is slowest at."""
    names = [str(name) for name in table.columns]
    columns = [table[name].to_numpy(dtype=object) for name in names]
    return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]


def _interim(sequence: LoadedSequence | None, streams: Streams) -> tuple[tuple[Result, ...], tuple[Judged, ...]]:
    """What the finished ladders of an unsealed record give."""
    if sequence is None:
        return (), ()
    # Late: brings the whole campaign along, and sealed records don't need it.
    from benchkit.campaign.summary import judge_results, summarise

    results = summarise(sequence, streams.points, streams.ladders, streams.own)
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
        sequence = load_sequence_text(record.sequence_text, str(record.attributes.get("sequence_file", "sequence.yaml")))
    except FileError as error:
        sequence_trouble = str(error)
    try:
        bench = load_bench_text(record.bench_text, str(record.attributes.get("bench_file", "bench.yaml")), record.files)
    except FileError as error:
        bench_trouble = str(error)
    return sequence, sequence_trouble, bench, bench_trouble


def _labels(sources: Sequence[Source], occasions: Sequence[str]) -> list[str]:
    """A label per record: its unit's serial number; with the occasion, or where one comes twice the day or the file's name."""
    serials = [source.serial for source in sources]
    told_days = {serial: [day(one.started_s) for one in sources if one.serial == serial] for serial in serials}
    names = []
    for place, source in enumerate(sources):
        days = told_days[source.serial]
        if occasions:
            names.append(f"{source.serial}, {occasions[place]}")
        elif len(days) == 1:
            names.append(source.serial)
        else:
            names.append(f"{source.serial} ({day(source.started_s) if len(set(days)) == len(days) else source.path.stem})")
    labels = [name if names.count(name) == 1 else f"{name} #{place}" for place, name in enumerate(names, 1)]
    if len({source.is_simulated for source in sources}) == 1:
        return labels
    # Beside real ones, a simulated unit says so wherever it is named: in every table and every legend.
    told = {True: " (simulated)", None: " (origin not stated)", False: ""}
    return [label + told[source.is_simulated] for label, source in zip(labels, sources, strict=True)]
