"""A run on the twin, in process and on a virtual clock, with faults planted in the instruments; and what became of it."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from benchkit.bench.load import load_bench
from benchkit.bench.open import OpenBench, open_bench
from benchkit.clock import VirtualClock
from benchkit.engine.columns import streams
from benchkit.engine.run import Engine
from benchkit.envelope import needs
from benchkit.errors import BenchkitError, MakeSafeError, RecordError
from benchkit.link import LinkLog
from benchkit.plan import make_plan
from benchkit.record import StreamSpec
from benchkit.record.rows import RowPacker
from benchkit.sequence.load import load_sequence
from sim_instruments.instruments.port import Reply
from sim_instruments.ledger import read_ledger
from sim_instruments.twin import Twin
from tests.scenario import ROOT

Change = tuple[str, str]

STREAMS = ("points", "ladders", "bias", "chamber", "pins", "events")

# One channel, one short ladder: seconds of bench time.
QUICK: tuple[Change, ...] = (("{from: -12 dBm, to: 9 dBm, step: 1 dB}", "{from: -12 dBm, to: 6 dBm, step: 2 dB}"),)


@dataclass
class Fault:
    """Something planted in one instrument: `hears` and `says` as the twin has them; `act` is told the twin first."""

    instrument: str
    hears: Callable[[bytes, float], bytes | None] | None = None
    says: Callable[[Reply], Reply | None] | None = None
    act: Callable[[Twin], None] | None = None

    def plant(self, twin: Twin) -> None:
        if self.act is not None:
            self.act(twin)
        if self.hears is not None:
            twin.instruments[self.instrument].hears = self.hears
        if self.says is not None:
            twin.instruments[self.instrument].says = self.says


@dataclass
class Seen:
    """Counts the messages to one instrument that hold a text; a fault's trigger. Lets everything through."""

    text: bytes
    count: int = 0
    then: Callable[[int, float], None] | None = None

    def __call__(self, message: bytes, t: float) -> bytes:
        if self.text in message:
            self.count += 1
            if self.then is not None:
                self.then(self.count, t)
        return message


@dataclass
class Story:
    """What became of a run."""

    error: BaseException | None
    start_s: float
    unsafe: tuple[str, ...]
    points: pd.DataFrame
    ladders: pd.DataFrame
    bias: pd.DataFrame
    chamber: pd.DataFrame
    pins: pd.DataFrame
    events: pd.DataFrame
    abuses: list[str]
    own: Mapping[str, pd.DataFrame]
    """Streams of the kinds' own, by name."""
    log: list[tuple[float, str, str, str]] = field(repr=False)
    """Time in seconds since the start, instrument, direction, text."""

    def sent(self, *instruments: str) -> list[str]:
        """Messages to these instruments, in order, each with its instrument's name before it."""
        return [f"{name} {text}" for _, name, way, text in self.log if way == ">" and name in instruments]

    def when(self, instrument: str, text: str) -> list[float]:
        return [t for t, name, way, sent in self.log if way == ">" and name == instrument and text in sent]

    def event(self, kind: str) -> list[str]:
        return list(self.events.loc[self.events["kind"] == kind, "text"])


def scenario(folder: Path, sequence: Sequence[Change] = (), bench: Sequence[Change] = (), device: Sequence[Change] = ()) -> Path:
    """The shipped files in `folder`, changed; the short sequence's path. The old text must be there."""
    target = folder / "sequences"
    if not target.exists():
        shutil.copytree(ROOT / "sequences", target)
    for path, changes in (
        (target / "kd14_short.yaml", sequence),
        (target / "benches" / "kd14.yaml", bench),
        (target / "twin" / "kd14_device.yaml", device),
    ):
        text = path.read_text(encoding="utf-8")
        for old, new in changes:
            assert old in text, f"{path.name} has no {old!r}"
            text = text.replace(old, new)
        path.write_text(text, encoding="utf-8")
    return target / "kd14_short.yaml"


def run(
    sequence_path: Path,
    *faults: Fault,
    sink_fails: Callable[[str], bool] | None = None,
    twin_bench: Path | None = None,
) -> Story:
    """
    The plan of a sequence on the twin, then make safe, as every caller does.

    Args:
        sink_fails: Told the stream of each row; True: the record fails there, as a full disk does.
        twin_bench: What the twin is wired like, if otherwise than the bench file says.
    """
    folder = sequence_path.parent
    sequence, bench = load_sequence(sequence_path), load_bench(folder / "benches" / "kd14.yaml")
    plan, clock = make_plan(sequence.file), VirtualClock()
    log_path, ledger = folder / "links.log", folder / "ledger.jsonl"
    for path in (log_path, ledger):
        path.unlink(missing_ok=True)
    log = LinkLog(log_path, clock)
    start_s = clock.now()
    used = {need.instrument for need in needs(plan, sequence.file, bench.file)}
    # Channels that share a supply output are held off too; see hookup.
    used |= {pin.supply for wires in bench.file.wiring.channels.values() for pin in (*wires.drains, *wires.gates)}
    options = {"bench": bench if twin_bench is None else load_bench(twin_bench), "ledger_path": ledger, "faults": tuple(faults)}
    opened = open_bench(bench, clock, only=used, library="twin", library_options=options, link_log=log)
    sink = _Sink(streams(plan, 3600.0), sink_fails)
    error: BaseException | None = None
    try:
        Engine(opened, sequence, plan, clock, sink, _Quiet()).run()
    except BenchkitError as caught:
        error = caught
    unsafe = _make_safe(opened)
    with contextlib.suppress(MakeSafeError):
        opened.close()
    log.close()
    tables = sink.tables()
    return Story(
        error=error,
        start_s=start_s,
        unsafe=unsafe,
        abuses=[f"{entry.what}: {entry.detail}" for entry in read_ledger(ledger)],
        log=_read_log(log_path, start_s),
        own={name: table for name, table in tables.items() if name not in STREAMS},
        **{name: tables[name] for name in STREAMS},
    )


def _make_safe(opened: OpenBench) -> tuple[str, ...]:
    try:
        opened.make_safe()
    except MakeSafeError as caught:
        return caught.failures
    return ()


def _read_log(path: Path, start_s: float) -> list[tuple[float, str, str, str]]:
    rows = []
    for line in path.read_text(encoding="utf-8").splitlines():
        when, name, way, text = line.split("\t", 3)
        rows.append((pd.Timestamp(when).timestamp() - start_s, name, way, text))
    return rows


class _Sink:
    """Takes rows as the record does, and refuses what it refuses, without a file: files are tested elsewhere."""

    def __init__(self, specs: Sequence[StreamSpec], fails: Callable[[str], bool] | None) -> None:
        self._specs, self._fails = {spec.name: spec for spec in specs}, fails
        self._packers = {spec.name: RowPacker(spec) for spec in specs}
        self._rows: dict[str, list[dict[str, float | int | str]]] = {spec.name: [] for spec in specs}

    def append(self, stream: str, row: Mapping[str, float | int | str]) -> int:
        if self._fails is not None and self._fails(stream):
            raise RecordError("the disk is full")
        self._packers[stream].pack(row)
        self._rows[stream].append(dict(row))
        return len(self._rows[stream])

    def tables(self) -> dict[str, pd.DataFrame]:
        return {
            name: pd.DataFrame(self._rows[name], columns=[column.name for column in spec.columns])
            for name, spec in self._specs.items()
        }


class _Quiet:
    def stage(self, text: str) -> None: ...

    def point(self, done: int, skipped: int) -> None: ...

    def waiting(self, text: str) -> None: ...
