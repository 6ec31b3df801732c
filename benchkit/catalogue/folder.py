"""A folder of records as entries: found, read where new or changed, filtered, in the order of time."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatchcase
from pathlib import Path

from benchkit.catalogue.cache import Cache, Stamp
from benchkit.catalogue.entry import Entry
from benchkit.catalogue.glance import glance
from benchkit.errors import FileError, Mistake

__all__ = ["Wanted", "list_folder"]

SUFFIXES = (".h5", ".hdf5")


@dataclass(frozen=True)
class Wanted:
    """
    Which entries are wanted; everything left out lets all through.

    Attributes:
        part, unit: Names, with * and ? as in a shell; upper and lower case are the same.
        since_s: Begun at this moment or later, seconds since 1970-01-01T00:00:00Z. [s]
    """

    part: str = ""
    unit: str = ""
    since_s: float = -math.inf

    def lets_through(self, entry: Entry) -> bool:
        """A file that can't be read is let through only when nothing is asked for: it may be anything."""
        if entry.trouble:
            return self == Wanted()
        if self.since_s > -math.inf and (entry.started_s is None or entry.started_s < self.since_s):
            return False
        return all(
            not pattern or fnmatchcase(value.casefold(), pattern.casefold())
            for pattern, value in ((self.part, entry.part), (self.unit, entry.unit))
        )


def list_folder(folder: Path, wanted: Wanted | None = None, *, subfolders: bool = False) -> list[Entry]:
    """
    Every record in a folder, oldest first; files that can't be read come last and say why.

    Args:
        folder: Its files ending in .h5 or .hdf5 are looked at.
        wanted: Default: all.
        subfolders: Those below it too.

    Raises:
        FileError: `folder` is not there, is no folder, or may not be read.
    """
    wanted = wanted or Wanted()
    if not folder.is_dir():
        raise FileError([Mistake(str(folder), None, "", "is not a folder" if folder.exists() else "there is no such folder")])
    cache = Cache(folder)
    entries = []
    for name, stamp in _files(folder, subfolders):
        entry = cache.get(name, stamp)
        if entry is None:
            entry = glance(folder / name, name)
            if entry.state == "sealed":
                # A growing record changes in its journal too, and a broken file may be mended by rights alone: only what
                # can't change any more without its own stamp changing is remembered.
                cache.put(name, stamp, entry)
        entries.append(entry)
    cache.save()
    found = [entry for entry in entries if wanted.lets_through(entry)]
    return sorted(found, key=_place)


def _place(entry: Entry) -> tuple[bool, float, str]:
    return bool(entry.trouble), math.inf if entry.started_s is None else entry.started_s, entry.file


def _files(folder: Path, subfolders: bool) -> Iterator[tuple[str, Stamp]]:
    """Names relative to `folder`, with stamps. What vanishes meanwhile, or may not be read, is passed over."""
    waiting = [""]
    while waiting:
        below = waiting.pop()
        try:
            with os.scandir(folder / below) as found:
                items = sorted(found, key=lambda item: item.name)
        except OSError as error:
            if below:
                continue
            raise FileError([Mistake(str(folder), None, "", f"can't be read: {error.strerror}")]) from error
        for item in items:
            name = f"{below}{item.name}"
            try:
                if item.is_dir():
                    # A link may lead back to where we are.
                    if subfolders and not item.is_symlink() and not item.name.startswith("."):
                        waiting.append(f"{name}/")
                elif item.name.lower().endswith(SUFFIXES) and not item.name.startswith("."):
                    stat = item.stat()
                    yield name, (stat.st_size, stat.st_mtime_ns)
            except OSError:
                continue
