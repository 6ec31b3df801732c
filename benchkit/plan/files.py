"""The two files that most verbs take, loaded together: mistakes of both at once."""

from __future__ import annotations

from pathlib import Path

from benchkit.bench.load import Bench, load_bench
from benchkit.errors import FileError, Mistake
from benchkit.sequence.load import Sequence, load_sequence

__all__ = ["load_both"]


def load_both(sequence_path: Path, bench_path: Path | None) -> tuple[Sequence, Bench]:
    """
    Both files, read and checked.

    Args:
        bench_path: None: the bench file that the sequence names.

    Raises:
        FileError: With the mistakes of both files.
    """
    mistakes: list[Mistake] = []
    sequence: Sequence | None = None
    bench: Bench | None = None
    try:
        sequence = load_sequence(sequence_path)
    except FileError as error:
        mistakes.extend(error.mistakes)
    if bench_path is None and sequence is not None:
        if sequence.file.bench is None:
            mistakes.append(
                Mistake(
                    str(sequence_path), None, "bench", "no bench file given; pass --bench BENCH, or name one in the sequence"
                )
            )
        else:
            bench_path = sequence_path.parent / sequence.file.bench
            if not bench_path.exists():
                mistakes.append(sequence.mistake("bench", f"names {sequence.file.bench!r}, and there is no such file"))
                bench_path = None
    if bench_path is not None:
        try:
            bench = load_bench(bench_path)
        except FileError as error:
            mistakes.extend(error.mistakes)
    if mistakes:
        raise FileError(mistakes)
    assert sequence is not None, "no mistakes: both are there"
    assert bench is not None, "no mistakes: both are there"
    return sequence, bench
