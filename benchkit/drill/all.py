"""All drills of one sequence, on several processes."""

from __future__ import annotations

import multiprocessing
import shutil
import tempfile
from collections.abc import Callable, Generator, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from benchkit.bench.load import Bench
from benchkit.campaign.signals import Interrupter
from benchkit.drill.moments import Reference, draw
from benchkit.drill.offer import Offer, chosen, offers
from benchkit.drill.one import Row, carry_out, take_reference
from benchkit.envelope import needs, prove
from benchkit.fault_text import FaultText
from benchkit.plan.files import load_both
from benchkit.sequence.load import Sequence as SequenceFile

__all__ = ["Drilled", "drill"]

# Drills handed to a process at a time; so many are waited for when all are interrupted.
CHUNK = 2


@dataclass(frozen=True)
class Drilled:
    """
    What all drills found.

    Attributes:
        rows: By fault, in the order of the catalogue.
        left_out: Faults that this sequence does not meet on this bench, and why.
    """

    rows: tuple[Row, ...]
    left_out: tuple[str, ...]
    reference: Reference

    @property
    def failed(self) -> tuple[Row, ...]:
        """Drills in which a promise was broken."""
        return tuple(row for row in self.rows if row.failures)


def drill(
    sequence_path: Path,
    bench_path: Path | None = None,
    *,
    faults: Sequence[str] = (),
    instants: int = 20,
    seed: int = 1,
    jobs: int = 1,
    unit: str = "L07-W1-01",
    on_row: Callable[[Row, int, int], None] | None = None,
) -> Drilled:
    """
    Rehearse with every fault at many moments.

    Args:
        bench_path: None: the one that the sequence names.
        faults: Names; none: all.
        instants: Moments for each fault.
        seed: Of the moments and of the simulated bench.
        jobs: Processes.
        on_row: Told of each row as it is there, with how many are done of how many.

    Raises:
        FileError: Mistakes in the files, or a fault there is not.
        BenchkitError: The rehearsal without a fault does not run to its end.
        Interrupted: Ctrl-C or SIGTERM.
    """
    sequence, bench = load_both(sequence_path, bench_path)
    wanted = chosen(offers(bench), faults)
    used = [need.instrument for need in needs(prove(sequence, bench).plan, sequence.file, bench.file)]
    with _folder() as folder:
        reference = take_reference(sequence, bench, folder, unit, seed)
    meets = [offer for offer in wanted if not offer.is_of_bench or set(offer.instruments) & set(used)]
    texts = [fault for offer in meets for fault in draw(offer, reference, used, instants, seed)]
    rows: list[Row] = []
    # A signal ends the drills and every process of theirs, not only the rehearsal that is under way.
    with Interrupter(), closing(
        _carry_out_all(sequence_path, bench_path, texts, reference, unit, seed, jobs, sequence, bench)
    ) as found:
        for row in found:
            rows.append(row)
            if on_row is not None:
                on_row(row, len(rows), len(texts))
    return Drilled(tuple(rows), tuple(_left_out(offer) for offer in wanted if offer not in meets), reference)


def _carry_out_all(
    sequence_path: Path,
    bench_path: Path | None,
    texts: Sequence[FaultText],
    reference: Reference,
    unit: str,
    seed: int,
    jobs: int,
    sequence: SequenceFile,
    bench: Bench,
) -> Generator[Row, None, None]:
    if jobs <= 1:
        for text in texts:
            yield _in_folder(sequence, bench, text, reference, unit, seed)
        return
    # Started afresh, not forked: the same on every system, and no thread of ours is copied half-way.
    context = multiprocessing.get_context("spawn")
    work = partial(_in_process, sequence_path, bench_path, reference, unit, seed)
    pool = ProcessPoolExecutor(jobs, mp_context=context)
    try:
        yield from pool.map(work, texts, chunksize=CHUNK)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


_loaded: dict[tuple[Path, Path | None], tuple[SequenceFile, Bench]] = {}


def _in_process(
    sequence_path: Path, bench_path: Path | None, reference: Reference, unit: str, seed: int, text: FaultText
) -> Row:
    """In a process of its own; the files are read once in each."""
    key = (sequence_path, bench_path)
    if key not in _loaded:
        _loaded[key] = load_both(sequence_path, bench_path)
    return _in_folder(*_loaded[key], text, reference, unit, seed)


def _in_folder(sequence: SequenceFile, bench: Bench, text: FaultText, reference: Reference, unit: str, seed: int) -> Row:
    with _folder() as folder:
        return carry_out(sequence, bench, text, reference, folder, unit, seed)


@contextmanager
def _folder() -> Iterator[Path]:
    folder = Path(tempfile.mkdtemp(prefix="benchkit-drill-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _left_out(offer: Offer) -> str:
    where = f"it can be in {', '.join(offer.instruments)}" if offer.instruments else "this bench has no place for it"
    return f"{offer.name}: not met by this sequence ({where})"
