"""Files that an export writes: all of them or none, and never one that exists."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path

from benchkit.errors import RecordExistsError
from benchkit.record.disk import Disk, record_error

__all__ = ["file_name", "refuse_existing", "write_new"]


def file_name(text: str) -> str:
    """What a record calls something, as part of a file's name: a record may come from anywhere, and no name leads elsewhere."""
    return re.sub(r"[^A-Za-z0-9_.+-]", "_", text).strip(".")


def refuse_existing(paths: Iterable[Path]) -> None:
    """
    What takes long to make asks first.

    Raises:
        RecordExistsError: One of them exists.
    """
    taken = next((path for path in paths if path.exists()), None)
    if taken is not None:
        raise RecordExistsError(f"{taken} exists; benchkit never overwrites: choose another name, or move it away")


def write_new(contents: Mapping[Path, bytes]) -> list[Path]:
    """
    Write every file; folders are made as needed.

    Returns:
        The files written.

    Raises:
        RecordExistsError: One of them exists; nothing was written.
        RecordError: No room, or no right to write there; nothing is left behind.
    """
    refuse_existing(contents)
    begun: list[Path] = []
    try:
        for path, content in contents.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("xb") as file:
                begun.append(path)
                file.write(content)
    except FileExistsError as error:
        for path in begun:
            path.unlink(missing_ok=True)
        raise RecordExistsError(f"{error.filename} exists; benchkit never overwrites") from error
    except OSError as error:
        for path in begun:
            path.unlink(missing_ok=True)
        raise record_error(begun[-1] if begun else next(iter(contents)), "exporting", error, Disk()) from error
    return begun
