"""
Loading the bench file: YAML to frozen models, path tables read, every reference and range checked.

Nothing is opened and nothing is energised here.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from importlib.metadata import entry_points
from pathlib import Path

from benchkit.bench.checks import check_bench
from benchkit.bench.model import BenchFile
from benchkit.bench.paths import LossPath
from benchkit.bench.tables import load_paths
from benchkit.errors import FileError, Mistake
from benchkit.files.document import Document
from benchkit.files.validate import validate
from benchkit.files.wording import unknown
from benchkit.files.yaml import load_yaml, load_yaml_text, read_bytes

__all__ = ["Bench", "load_bench", "load_bench_text"]

LARGEST_TABLE = 16_000_000  # bytes
DRIVER_GROUP = "benchkit.drivers"


@dataclass(frozen=True)
class Bench:
    """
    A bench file that was read and checked.

    Attributes:
        file: The model.
        path: Where it was read from; names within it are relative to its folder.
        text: The file's exact text.
        paths: Name to loss, for every path of the file.
        table_files: Name as written in the file to the exact bytes of each table and of the simulated device's file: all that
            repeating a run needs besides the text.
        document: Knows the line of every key.
    """

    file: BenchFile
    path: Path
    text: str = field(repr=False)
    paths: Mapping[str, LossPath] = field(repr=False)
    table_files: Mapping[str, bytes] = field(repr=False)
    document: Document = field(repr=False)

    def mistake(self, key: str, message: str) -> Mistake:
        """A mistake at a dotted key, e.g. "instruments.drain.address", with its line."""
        return self.document.mistake(key, message)


def load_bench(path: Path) -> Bench:
    """
    Read a bench file and the tables it names.

    Raises:
        FileError: Every mistake, in the bench file and in its tables.
    """
    path = Path(path)
    document = load_yaml(path)

    def shown(name: str) -> str:
        return str(path.parent / name)

    bench = _load(document, path, lambda name: read_bytes(path.parent / name, shown(name), LARGEST_TABLE), shown)
    mistakes = _check_drivers(bench)
    if mistakes:
        raise FileError(mistakes)
    return bench


def load_bench_text(text: str, name: str, table_files: Mapping[str, bytes], folder: Path | None = None) -> Bench:
    """
    The same bench from texts that a record keeps; touches no disk, and asks for no driver.

    Args:
        text: `Bench.text`.
        name: The bench file's name.
        table_files: `Bench.table_files`.
        folder: What `Bench.path` shall lie in; only remembered.

    Raises:
        FileError: As load_bench, and for a table that is not among `table_files`.
    """

    def stored(file: str) -> bytes:
        try:
            return table_files[file]
        except KeyError:
            raise FileError([Mistake(file, None, "", f"is not among the tables kept with {name}")]) from None

    return _load(load_yaml_text(text, name), (folder or Path()) / name, stored, str)


def _load(document: Document, path: Path, read: Callable[[str], bytes], shown: Callable[[str], str]) -> Bench:
    file = validate(document, BenchFile)
    mistakes = check_bench(file, document)
    paths, table_files, more = load_paths(file, document, read, shown)
    mistakes.extend(more)
    if mistakes:
        raise FileError(mistakes)
    if file.twin is not None and file.twin.device not in table_files:
        # Only a simulated bench needs it, and says so when it is missing.
        with contextlib.suppress(FileError):
            table_files[file.twin.device] = read(file.twin.device)
    return Bench(file, path, document.text, paths, table_files, document)


def _check_drivers(bench: Bench) -> list[Mistake]:
    known = sorted({point.name for point in entry_points(group=DRIVER_GROUP)})
    return [
        bench.mistake(f"instruments.{name}.driver", unknown(settings.driver, known, "driver"))
        for name, settings in bench.file.instruments.items()
        if settings.driver not in known
    ]
