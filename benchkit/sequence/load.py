"""Loading the sequence file: YAML to frozen models of the kinds that are installed, and what must hold between keys."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache, reduce
from operator import or_
from pathlib import Path
from typing import Annotated, Any

from pydantic import Field, create_model

from benchkit.errors import FileError, Mistake
from benchkit.files.document import Document
from benchkit.files.validate import validate
from benchkit.files.yaml import load_yaml, load_yaml_text
from benchkit.measurements.registry import kinds
from benchkit.sequence.checks import check_sequence
from benchkit.sequence.model import SequenceFile

__all__ = ["Sequence", "load_sequence", "load_sequence_text", "sequence_model"]


@dataclass(frozen=True)
class Sequence:
    """
    A sequence file that was read and checked.

    Attributes:
        file: The model; `file.measurements` are the blocks of their kinds.
        path: Where it was read from; names within it are relative to its folder.
        text: The file's exact text.
        document: Knows the line of every key.
    """

    file: SequenceFile
    path: Path
    text: str = field(repr=False)
    document: Document = field(repr=False)

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
    Read a sequence file.

    Raises:
        FileError: Every mistake.
    """
    path = Path(path)
    return _load(load_yaml(path), path)


def load_sequence_text(text: str, name: str, folder: Path | None = None) -> Sequence:
    """
    The same sequence from a text that a record keeps; touches no disk.

    Args:
        text: `Sequence.text`.
        name: The sequence file's name.
        folder: What `Sequence.path` shall lie in; only remembered.

    Raises:
        FileError: Every mistake.
    """
    return _load(load_yaml_text(text, name), (folder or Path()) / name)


def _load(document: Document, path: Path) -> Sequence:
    file = validate(document, sequence_model())
    mistakes = check_sequence(file, document)
    if mistakes:
        raise FileError(mistakes)
    return Sequence(file, path, document.text, document)
