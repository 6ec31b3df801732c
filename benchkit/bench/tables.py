"""The paths of a bench file: fixed losses, CSV tables and Touchstone files brought to one form."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from math import inf

from benchkit.bench.loss_table import read_loss_table
from benchkit.bench.loss_touchstone import read_touchstone
from benchkit.bench.model import BenchFile, LossTableFile, LossTouchstone, PathSettings
from benchkit.bench.paths import LossPath
from benchkit.errors import FileError, Mistake
from benchkit.files.document import Document

__all__ = ["load_paths"]

_UNCERTAINTY = "uncertainty: 0.2 dB (expanded, k = 2)"

Read = Callable[[str], bytes]


def load_paths(
    file: BenchFile, document: Document, read: Read, shown: Callable[[str], str]
) -> tuple[dict[str, LossPath], dict[str, bytes], list[Mistake]]:
    """
    Every path, and the bytes of each file by its name as written.

    Args:
        file: The bench file's model.
        document: For lines.
        read: Bytes of a named file; raises FileError.
        shown: A named file as messages show it, e.g. with the bench file's folder.

    Returns:
        Paths by name, bytes by file name, and every mistake.
    """
    paths: dict[str, LossPath] = {}
    contents: dict[str, bytes] = {}
    mistakes: list[Mistake] = []
    for name, settings in file.paths.items():
        key = f"paths.{name}"
        mistakes.extend(_check_settings(settings, key, document))
        file_name = _file_name(settings)
        if file_name is None:
            if settings.uncertainty_db is not None and isinstance(settings.loss, float):
                paths[name] = LossPath.fixed(
                    name,
                    settings.loss,
                    settings.uncertainty_db,
                    document.name,
                    0.0 if settings.frequency_min_hz is None else settings.frequency_min_hz,
                    inf if settings.frequency_max_hz is None else settings.frequency_max_hz,
                )
            continue
        try:
            if file_name not in contents:
                contents[file_name] = read(file_name)
        except FileError as error:
            # The mistake is where the file is named; there is no line in it to point at.
            mistakes.extend(document.mistake(f"{key}.loss", f"{file_name}: {m.message}") for m in error.mistakes)
            continue
        try:
            path = _from_file(name, settings, file_name, contents[file_name], document, mistakes)
        except FileError as error:
            mistakes.extend(replace(m, file=shown(file_name)) for m in error.mistakes)
            continue
        if path is not None:
            paths[name] = path
    return paths, contents, mistakes


def _file_name(settings: PathSettings) -> str | None:
    if isinstance(settings.loss, LossTableFile):
        return settings.loss.table
    return settings.loss.touchstone if isinstance(settings.loss, LossTouchstone) else None


def _from_file(
    name: str, settings: PathSettings, file_name: str, content: bytes, document: Document, mistakes: list[Mistake]
) -> LossPath | None:
    own: tuple[float, ...] | None
    if isinstance(settings.loss, LossTouchstone):
        frequencies, losses = read_touchstone(content, file_name, settings.loss.parameter)
        own = None
    else:
        rows = read_loss_table(content, file_name)
        frequencies, losses, own = rows.frequencies_hz, rows.losses_db, rows.uncertainties_db
    stated = settings.uncertainty_db
    key = f"paths.{name}"
    if own is None and stated is None:
        is_table = isinstance(settings.loss, LossTableFile)
        why = f"{file_name} has no column uncertainty_db" if is_table else "a Touchstone file has none"
        mistakes.append(document.mistake(key, f"has no uncertainty ({why}); expected {_UNCERTAINTY}"))
        return None
    if own is not None and stated is not None:
        message = f"{file_name} has a column uncertainty_db already; leave one of the two out"
        mistakes.append(document.mistake(f"{key}.uncertainty", message))
        return None
    uncertainties = own if own is not None else (stated or 0.0,) * len(losses)
    return LossPath.table(name, frequencies, losses, uncertainties, file_name)


def _check_settings(settings: PathSettings, key: str, document: Document) -> list[Mistake]:
    mistakes = []
    low, high = settings.frequency_min_hz, settings.frequency_max_hz
    if _file_name(settings) is not None:
        for given, end in ((low, "frequency_min"), (high, "frequency_max")):
            if given is not None:
                message = "belongs to a fixed loss; a table's band is where it has rows"
                mistakes.append(document.mistake(f"{key}.{end}", message))
    elif settings.uncertainty_db is None:
        message = f"a fixed loss states its uncertainty; expected {_UNCERTAINTY}"
        mistakes.append(document.mistake(key, message))
    if low is not None and high is not None and not low < high:
        mistakes.append(document.mistake(f"{key}.frequency_max", "is not above frequency_min"))
    return mistakes
