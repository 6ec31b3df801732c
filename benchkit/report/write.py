"""The report's file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from benchkit.errors import FormatError, MisuseError, RecordExistsError
from benchkit.report.options import ReportOptions, check_against
from benchkit.report.page import render
from benchkit.report.reading import read_sources

__all__ = ["FEWEST_TRIALS", "MOST_TRIALS", "write_report"]

# Fewer say little of the ends of an interval (JCGM 101, 7.2); more only fill memory.
FEWEST_TRIALS, MOST_TRIALS = 10_000, 5_000_000


def write_report(records: Sequence[Path], out: Path, options: ReportOptions | None = None, *, monte_carlo: int = 0) -> Path:
    """
    Write one self-contained HTML report over one or several records of one part.

    Args:
        records: Sealed ones, or ones still growing: these are shown as far as they are acknowledged, and so marked.
        out: The file to write; it must not exist.
        options: Tolerance intervals, imported data, names of occasions; None: none of them.
        monte_carlo: Trials to hold each budget's linear law against (JCGM 101, 8); 0: none.

    Returns:
        `out`.

    Raises:
        RecordExistsError: `out` exists; it is left as it is.
        FormatError: One is not a record that this benchkit reads.
        FileError: They are not of one part or one set of planes, one is named twice, or an imported file has mistakes.
    """
    if not records:
        raise MisuseError("a report needs at least one record")
    if monte_carlo and not FEWEST_TRIALS <= monte_carlo <= MOST_TRIALS:
        raise MisuseError(f"monte_carlo is {monte_carlo}; expected {FEWEST_TRIALS} to {MOST_TRIALS} trials, or none")
    _refuse(out, out.exists())
    options = options or ReportOptions()
    check_against(options.against)
    sources = read_sources([Path(path) for path in records], options.occasions)
    try:
        text = render(sources, options, monte_carlo=monte_carlo)
    except (LookupError, ValueError, TypeError) as error:
        changed = [f"{source.path} ({', '.join(source.changes[:3])})" for source in sources if source.changes]
        if not changed:
            raise
        told = "; ".join(changed)
        raise FormatError(f"no report can be made of what was changed or damaged since it was sealed: {told}") from error
    try:
        with out.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError:
        _refuse(out, True)
    return out


def _refuse(out: Path, exists: bool) -> None:
    if exists:
        raise RecordExistsError(f"{out} exists; benchkit never overwrites: choose another --out, or move it away")
