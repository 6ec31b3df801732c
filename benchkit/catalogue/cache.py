"""
What was seen of a folder's files last time, so that only new and changed ones are opened.

Kept per folder in the user's cache folder, by file name, size and time of change. It is never needed: when it is missing, of
another version or damaged, everything is read from the files again; when it can't be written, nothing is lost but time.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from pathlib import Path

import platformdirs

from benchkit.catalogue.entry import Entry

__all__ = ["Cache", "Stamp"]

VERSION = 1

Stamp = tuple[int, int]
"""Size in bytes, time of change in nanoseconds."""


class Cache:
    """
    Entries of one folder by name, each good as long as its file has the same stamp.

    Args:
        folder: The folder listed.
    """

    def __init__(self, folder: Path) -> None:
        where = str(folder.resolve())
        name = hashlib.sha256(where.encode("utf-8", "surrogateescape")).hexdigest()[:32]
        self.path = Path(platformdirs.user_cache_dir("benchkit", appauthor=False)) / "catalogue" / f"{name}.json"
        self._where = where
        self._known: dict[str, tuple[Stamp, Entry]] = self._read()
        self._kept: dict[str, tuple[Stamp, Entry]] = {}

    def get(self, name: str, stamp: Stamp) -> Entry | None:
        """What the file was when it had this stamp; None when that is not known."""
        known = self._known.get(name)
        if known is None or known[0] != stamp:
            return None
        self._kept[name] = known
        return known[1]

    def put(self, name: str, stamp: Stamp, entry: Entry) -> None:
        self._kept[name] = (stamp, entry)

    def save(self) -> None:
        """Write what was asked for or put; files that are gone are forgotten. A failure is no error."""
        if self._kept == self._known:
            return
        entries = {name: {"stamp": stamp, "entry": entry.to_data()} for name, (stamp, entry) in self._kept.items()}
        text = json.dumps({"benchkit": "catalogue", "version": VERSION, "folder": self._where, "entries": entries})
        part = self.path.with_name(f"{self.path.name}.{os.getpid()}.part")
        with contextlib.suppress(OSError):
            self.path.parent.mkdir(parents=True, exist_ok=True)
            part.write_text(text, encoding="utf-8", errors="surrogateescape")
            part.replace(self.path)

    def _read(self) -> dict[str, tuple[Stamp, Entry]]:
        try:
            data = json.loads(self.path.read_text(encoding="utf-8", errors="surrogateescape"))
            if (data["benchkit"], data["version"], data["folder"]) != ("catalogue", VERSION, self._where):
                return {}
            known: dict[str, tuple[Stamp, Entry]] = {}
            for name, one in data["entries"].items():
                size, changed_ns = one["stamp"]
                known[name] = ((int(size), int(changed_ns)), Entry.from_data(one["entry"]))
        except (OSError, ValueError, KeyError, TypeError, AttributeError):
            return {}
        return known
