"""What a script or a notebook calls: the same as the command line, with paths in and objects out."""

from __future__ import annotations

from pathlib import Path

from benchkit.campaign.run import CampaignOutcome
from benchkit.campaign.run import rehearse as rehearse_loaded
from benchkit.campaign.run import run as run_loaded
from benchkit.plan.files import load_both
from benchkit.record import Record

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
    loaded, on_bench = load_both(Path(sequence), None if bench is None else Path(bench))
    return rehearse_loaded(loaded, on_bench, Path(out), unit=unit, operator=operator, seed=seed)


def run(
    sequence: str | Path, out: str | Path, *, bench: str | Path, unit: str, operator: str = ""
) -> CampaignOutcome:
    """Run a sequence on the bench, on the wall clock. Arguments and errors as rehearse()."""
    loaded, on_bench = load_both(Path(sequence), Path(bench))
    return run_loaded(loaded, on_bench, Path(out), unit=unit, operator=operator)
