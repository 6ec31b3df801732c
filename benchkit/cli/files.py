"""Loading the two files that most verbs take; mistakes of both at once."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from benchkit.errors import FileError, Mistake

if TYPE_CHECKING:
    from benchkit.bench.load import Bench
    from benchkit.sequence.load import Sequence

__all__ = ["load_both", "new_record_path"]


def load_both(sequence_path: Path, bench_path: Path | None) -> tuple[Sequence, Bench]:
    """
    Both files, read and checked.

    Raises:
        FileError: With the mistakes of both files.
    """
    from benchkit.bench.load import load_bench
    from benchkit.sequence.load import load_sequence

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
    if bench_path is not None:
        try:
            bench = load_bench(bench_path)
        except FileError as error:
            mistakes.extend(error.mistakes)
    if mistakes:
        raise FileError(mistakes)
    assert sequence is not None
    assert bench is not None
    return sequence, bench


def new_record_path(sequence: Sequence, unit: str, verb: str) -> Path:
    """A name in the present folder that tells sequence, unit and moment, e.g. kd14_overnight_L07-W1-01_rehearsal.h5."""
    stem = f"{sequence.path.stem}_{unit}_{verb}"
    path, number = Path(f"{stem}.h5"), 2
    while path.exists():
        path, number = Path(f"{stem}_{number}.h5"), number + 1
    return path
