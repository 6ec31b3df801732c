"""Loading the sequence file: YAML to frozen models of the kinds that are installed, and what must hold between keys."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache, reduce
from operator import or_
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, create_model

from benchkit.errors import FileError, Mistake
from benchkit.files.document import Document
from benchkit.files.validate import validate
from benchkit.files.yaml import load_yaml, load_yaml_text, read_bytes
from benchkit.measurements.registry import kinds
from benchkit.sequence.checks import check_sequence
from benchkit.sequence.model import SequenceFile

__all__ = ["Sequence", "load_sequence", "load_sequence_text", "sequence_model"]

LARGEST_FILE = 16_000_000  # bytes
# In a record the sequence's files stand beside those of the bench, and one name may mean two files.
_KEPT = "sequence/"


@dataclass(frozen=True)
class Sequence:
    """
    A sequence file that was read and checked.

    Attributes:
        file: The model; `file.measurements` are the blocks of their kinds.
        path: Where it was read from; names within it are relative to its folder.
        text: The file's exact text.
        document: Knows the line of every key.
        files: What its measurements name, such as fixtures to be removed: exact bytes by name as written.
    """

    file: SequenceFile
    path: Path
    text: str = field(repr=False)
    document: Document = field(repr=False)
    files: Mapping[str, bytes] = field(default_factory=dict, repr=False)

    @property
    def kept_files(self) -> dict[str, bytes]:
        """Its files as a record keeps them, by names that none of a bench's tables has."""
        return {_KEPT + name: content for name, content in self.files.items()}

    def mistake(self, key: str, message: str) -> Mistake:
        """A mistake at a dotted key, e.g. "measurements[2].drive", with its line."""
        return self.document.mistake(key, message)


@cache
def sequence_model() -> type[SequenceFile]:
    """
    SequenceFile with `measurements` narrowed to the kinds in the table, told apart by their `kind`.

    Raises:
        MisuseError: A line of the table does not name a kind.
    """
    found: list[Any] = list(kinds().values())
    # A union of one is no union, and needs no telling apart.
    block: Any = found[0] if len(found) == 1 else Annotated[reduce(or_, found), Field(discriminator="kind")]
    measurements: Any = tuple.__class_getitem__((block, ...))
    return create_model(
        "SequenceFile",
        __base__=SequenceFile,
        __doc__=SequenceFile.__doc__,
        measurements=(measurements, Field(min_length=1, description="Measured in this order at each condition")),
    )


def load_sequence(path: Path) -> Sequence:
    """
    Read a sequence file, and the files it names.

    Raises:
        FileError: Every mistake.
    """
    path = Path(path)
    return _load(load_yaml(path), path, lambda name: read_bytes(path.parent / name, str(path.parent / name), LARGEST_FILE))


def load_sequence_text(
    text: str, name: str, folder: Path | None = None, kept: Mapping[str, bytes] | None = None
) -> Sequence:
    """
    The same sequence from a text that a record keeps; touches no disk.

    Args:
        text: `Sequence.text`.
        name: The sequence file's name.
        folder: What `Sequence.path` shall lie in; only remembered.
        kept: The record's files; None: the sequence is only to be read, and its files are not at hand.

    Raises:
        FileError: Every mistake, and a file that is not among `kept`.
    """

    def stored(file: str) -> bytes:
        try:
            return (kept or {})[_KEPT + file]
        except KeyError:
            raise FileError([Mistake(file, None, "", f"is not among the files kept with {name}")]) from None

    return _load(load_yaml_text(text, name), (folder or Path()) / name, None if kept is None else stored)


def _load(document: Document, path: Path, read: Callable[[str], bytes] | None) -> Sequence:
    file = validate(document, sequence_model())
    files: dict[str, bytes] = {}
    mistakes: list[Mistake] = []
    for index, block in enumerate(file.measurements if read is not None else ()):
        for key, name in block.files().items():
            try:
                assert read is not None, "else there is no block here"
                files[name] = read(name)
            except FileError as error:
                # The mistake is where the file is named; there is no line in it to point at.
                where = f"measurements[{index}].{key}"
                mistakes += [document.mistake(where, f"{name}: {one.message}") for one in error.mistakes]
    mistakes += check_sequence(file, document, None if read is None else files)
    if mistakes:
        raise FileError(mistakes)
    return Sequence(file, path, document.text, document, files)
