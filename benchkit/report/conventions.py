"""
Which results are defined alike, and so may share a row.

A convention is a text of clauses: the first says what was done, later ones may tell of one ladder only ("14 points"). Within one
record and measurement the definition is one by construction, so what varies there is no part of it. Between records, what is left
must agree. A single result can't tell which of its clauses vary: then only the first clause and those without a digit count.
Where in the band a worst case was found ("lowest at 14.225 GHz") tells of one part, and is never part of a definition.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from benchkit.results.result import Result

__all__ = ["harmonised"]

_PLACE = re.compile(r"((highest|lowest|longest) )?at [0-9.]+ GHz")


@dataclass(frozen=True)
class _Definition:
    clauses: tuple[str, ...]
    is_single: bool

    def agrees_with(self, other: _Definition) -> bool:
        if self._without_places == other._without_places:
            return True
        return (self.is_single or other.is_single) and self._core == other._core

    @property
    def _without_places(self) -> tuple[str, ...]:
        return tuple(text for index, text in enumerate(self.clauses) if index == 0 or not _PLACE.fullmatch(text))

    @property
    def _core(self) -> tuple[str, ...]:
        return tuple(text for index, text in enumerate(self.clauses) if index == 0 or not re.search(r"\d", text))


def harmonised(results: Mapping[str, Sequence[Result]]) -> dict[str, list[Result]]:
    """
    The same results with each convention cut down to the clauses that define it.

    An absent result may not know how it would have been defined; it takes the definition of those that are there.

    Args:
        results: Label of the record to its results, in their order.
    """
    groups: dict[tuple[str, str, str], dict[str, list[str]]] = {}
    for label, of_record in results.items():
        for result in of_record:
            by_record = groups.setdefault(_key(result), {}).setdefault(label, [])
            if not result.is_absent:
                by_record.append(result.convention)
    texts = {key: _texts(by_record) for key, by_record in groups.items()}
    return {
        label: [replace(result, convention=texts[_key(result)].get(label, result.convention)) for result in of_record]
        for label, of_record in results.items()
    }


def _key(result: Result) -> tuple[str, str, str]:
    return result.measurement, result.parameter, result.qualifier


def _texts(by_record: Mapping[str, Sequence[str]]) -> dict[str, str]:
    """The convention that each record's results get."""
    definitions = {
        label: _Definition(_common(conventions), len(conventions) == 1) for label, conventions in by_record.items() if conventions
    }
    families: list[list[str]] = []
    for label, definition in definitions.items():
        for family in families:
            if all(definition.agrees_with(definitions[other]) for other in family):
                family.append(label)
                break
        else:
            families.append([label])
    texts = {}
    for family in families:
        shared = ", ".join(
            clause for clause in definitions[family[0]].clauses if all(clause in definitions[label].clauses for label in family)
        )
        texts.update(dict.fromkeys(family, shared))
    if len(families) == 1:
        # A record in which all are absent says nothing against the others' definition.
        texts.update(dict.fromkeys(by_record, texts[families[0][0]]))
    return texts


def _common(conventions: Sequence[str]) -> tuple[str, ...]:
    split = [[clause.strip() for clause in re.split(r"[,;]\s", text) if clause.strip()] for text in dict.fromkeys(conventions)]
    return tuple(clause for clause in split[0] if all(clause in other for other in split))
