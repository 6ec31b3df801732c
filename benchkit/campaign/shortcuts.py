"""What a script or a notebook calls: the same as the command line, with paths in and objects out."""

from __future__ import annotations

from pathlib import Path

from benchkit.bench.load import Bench, load_bench
from benchkit.campaign.run import CampaignOutcome
from benchkit.campaign.run import rehearse as rehearse_loaded
from benchkit.campaign.run import run as run_loaded
from benchkit.errors import FileError, Mistake
from benchkit.record import Record
from benchkit.sequence.load import Sequence, load_sequence

__all__ = ["open_record", "rehearse", "run"]


def open_record(path: str | Path) -> Record:
    """Open a record for reading; a context manager. Works on a sealed record and on one still growing."""
    return Record.open(Path(path))


def rehearse(
    sequence: str | Path,
    out: str | Path,
    *,
    bench: str | Path | None = None,
    unit: str = "L07-W1-01",
    operator: str = "",
    seed: int = 1,
) -> CampaignOutcome:
    """
    Run a sequence on the simulated bench, on a virtual clock.

    Args:
        sequence: Sequence file.
        out: Record to write; never overwritten.
        bench: Bench file; default: the one that the sequence names.

    Raises:
        FileError: Mistakes in the files, or a plan that cannot be proved harmless (ProofError).
        RecordExistsError: `out` exists.
    """
    loaded, on_bench = _load(Path(sequence), None if bench is None else Path(bench))
    return rehearse_loaded(loaded, on_bench, Path(out), unit=unit, operator=operator, seed=seed)


def run(
    sequence: str | Path, out: str | Path, *, bench: str | Path, unit: str, operator: str = ""
) -> CampaignOutcome:
    """Run a sequence on the bench, on the wall clock. Arguments and errors as rehearse()."""
    loaded, on_bench = _load(Path(sequence), Path(bench))
    return run_loaded(loaded, on_bench, Path(out), unit=unit, operator=operator)


def _load(sequence_path: Path, bench_path: Path | None) -> tuple[Sequence, Bench]:
    sequence = load_sequence(sequence_path)
    if bench_path is None:
        if sequence.file.bench is None:
            raise FileError([Mistake(str(sequence_path), None, "bench", "no bench file given, and the sequence names none")])
        bench_path = sequence_path.parent / sequence.file.bench
    return sequence, load_bench(bench_path)
