"""How each number is defined: every definition once, with all that it is the definition of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from benchkit.report.sheet import Sheet
from benchkit.report.source import Source

__all__ = ["Definition", "definitions_of", "notes_of"]

AS_NAMED = "as named"


@dataclass(frozen=True)
class Definition:
    """`names`: what it defines, in the order of the sheet; `planes`: where these are true."""

    names: tuple[str, ...]
    planes: tuple[str, ...]
    text: str


def definitions_of(sheet: Sheet) -> list[Definition]:
    """Of the sheet's rows; those whose name says it all together, last."""
    rows = [
        (row.label, row.qualifier, row.plane, row.convention or AS_NAMED)
        for group in sheet.groups for row in group.rows
    ]  # fmt: skip
    found = [
        Definition(
            _named((label, qualifier) for label, qualifier, _, its in rows if its == text),
            tuple(dict.fromkeys(plane for _, _, plane, its in rows if its == text)),
            text,
        )
        for text in dict.fromkeys(text for *_, text in rows)
    ]
    return sorted(found, key=lambda one: one.text == AS_NAMED)


def _named(rows: Iterable[tuple[str, str]]) -> tuple[str, ...]:
    """Each label once, with its qualifiers in brackets."""
    found: dict[str, dict[str, None]] = {}
    for label, qualifier in rows:
        found.setdefault(label, {})[qualifier] = None
    return tuple(
        f"{label} ({'; '.join(told)})" if (told := list(filter(None, qualifiers))) else label
        for label, qualifiers in found.items()
    )


def notes_of(sources: Sequence[Source]) -> list[Definition]:
    """What the kinds say of how they measure; of measurements that say the same, once."""
    found: dict[str, dict[str, None]] = {}
    for source in sources:
        if source.sequence is not None:
            for block in source.sequence.file.measurements:
                for name, text in block.notes().items():
                    found.setdefault(text, {})[block.title if block.title == name else f"{block.title}: {name}"] = None
    return [Definition(tuple(names), (), text) for text, names in found.items()]
