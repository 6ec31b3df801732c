"""The report's file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from benchkit.errors import MisuseError, RecordExistsError
from benchkit.report.page import render
from benchkit.report.reading import read_sources

__all__ = ["write_report"]


def write_report(records: Sequence[Path], out: Path) -> Path:
    """
    Write one self-contained HTML report over one or several records of one part.

    Args:
        records: Sealed ones, or ones still growing: these are shown as far as they are acknowledged, and so marked.
        out: The file to write; it must not exist.

    Returns:
        `out`.

    Raises:
        RecordExistsError: `out` exists; it is left as it is.
        FormatError: One is not a record that this benchkit reads.
        FileError: They are not of one part, or one is named twice.
    """
    if not records:
        raise MisuseError("a report needs at least one record")
    _refuse(out, out.exists())
    text = render(read_sources([Path(path) for path in records]))
    try:
        with out.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError:
        _refuse(out, True)
    return out


def _refuse(out: Path, exists: bool) -> None:
    if exists:
        raise RecordExistsError(f"{out} exists; benchkit never overwrites: choose another --out, or move it away")
