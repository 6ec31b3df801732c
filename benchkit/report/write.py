"""The report's file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from benchkit.errors import MisuseError
from benchkit.record import refuse_existing, write_new
from benchkit.record.damage import telling_damage
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
        RecordError: No room, or no right to write there; nothing is left behind.
        FormatError: One is not a record that this benchkit reads.
        FileError: They are not of one part or one set of planes, one is named twice, or an imported file has mistakes.
    """
    if not records:
        raise MisuseError("a report needs at least one record")
    if monte_carlo and not FEWEST_TRIALS <= monte_carlo <= MOST_TRIALS:
        raise MisuseError(f"monte_carlo is {monte_carlo}; expected {FEWEST_TRIALS} to {MOST_TRIALS} trials, or none")
    refuse_existing([out])
    options = options or ReportOptions()
    check_against(options.against)
    sources = read_sources([Path(path) for path in records], options.occasions)
    with telling_damage("no report can be made", lambda: {str(source.path): source.changes for source in sources}):
        text = render(sources, options, monte_carlo=monte_carlo)
    return write_new({out: text.encode()})[0]
