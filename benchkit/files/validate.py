"""
A Document to a frozen model; every mistake at once, each with file, line, dotted key, and what was expected.

pydantic finds the mistakes; place.py says where in the file and under which type each stands, wording.py how to say it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from benchkit.errors import FileError, Mistake
from benchkit.files.document import Document, Step, dotted
from benchkit.files.place import Place, find_place
from benchkit.files.wording import nearest, say

__all__ = ["validate"]

Model = TypeVar("Model", bound=BaseModel)


def validate(document: Document, model_type: type[Model]) -> Model:
    """
    The model that `document` describes.

    Raises:
        FileError: All mistakes, in the order of the file.
    """
    try:
        # JSON mode is what tells a file from Python code: bare numbers are refused, lists become tuples, nothing else
        # is converted. Only the file's own keys count, not the attributes' names with their units.
        return model_type.model_validate_json(json.dumps(document.data), strict=True, by_alias=True, by_name=False)
    except ValidationError as error:
        found = _told_once(
            [
                (place, details)
                for details in error.errors(include_url=False)
                if (place := find_place(model_type, details["loc"], document.data)) is not None
            ]
        )
        mistakes = [mistake for place, details in found for mistake in _mistakes(document, place, details)]
    mistakes = list(dict.fromkeys(mistakes))
    mistakes.sort(key=lambda mistake: mistake.line or 0)
    raise FileError(mistakes or [document.mistake("", f"cannot be read as {model_type.__name__}")])


Found = tuple[Place, ErrorDetails]


def _told_once(found: Sequence[Found]) -> list[Found]:
    """A misspelt key is one mistake, not an unknown key here and a missing one there; nor is a wrong entry a missing one."""
    missing = {place.path: i for i, (place, details) in enumerate(found) if details["type"] == "missing"}
    dropped: set[int] = set()
    for index, (place, details) in enumerate(found):
        if details["type"] == "extra_forbidden":
            guess = nearest(str(place.path[-1]), place.known_keys)
            if guess is not None and (i := missing.get((*place.path[:-1], guess))) is not None:
                dropped.add(i)
        # pydantic counts what it could read; an entry that has a mistake of its own is there all the same.
        wanted = details.get("ctx", {}).get("min_length", 0)
        if details["type"] == "too_short" and isinstance(place.value, list) and len(place.value) >= wanted:
            dropped.add(index)
    return [entry for i, entry in enumerate(found) if i not in dropped]


def _mistakes(document: Document, place: Place, details: ErrorDetails) -> list[Mistake]:
    context: dict[str, Any] = details.get("ctx", {})
    if details["type"] == "axis":
        return [
            _mistake(document, (*place.path, *inner), reason)
            for inner, reason in context["problems"]
        ]  # fmt: skip
    key, message = say(place, details["type"], context, details["msg"])
    return [_mistake(document, (*place.path, *key), message)]


def _mistake(document: Document, path: Sequence[Step], message: str) -> Mistake:
    return document.mistake(dotted(path), message)
