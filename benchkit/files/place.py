"""
Where a validation error stands: pydantic's location walked along the model and the data side by side.

pydantic puts the names of union branches between the real keys, and complains about every branch of a union. Walking
the model tells keys from branches, picks the branch the author meant, and finds the type that was expected.
"""

from __future__ import annotations

import types
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from benchkit.files.document import Step

__all__ = ["ABSENT", "Place", "alternatives", "find_place", "keys_of", "unwrapped"]

ABSENT: Any = object()
"""Stands for a value that the file does not have."""


@dataclass(frozen=True)
class Place:
    """
    Attributes:
        path: Keys and indices in the file.
        value: What the file has there; ABSENT if nothing.
        annotation: The type expected there.
        metadata: What the annotation carries (QuantityOf, AxisOf, ...).
        known_keys: Keys that the mapping around it may have.
        is_key: The error is about the key itself.
    """

    path: tuple[Step, ...]
    value: Any
    annotation: Any
    metadata: tuple[Any, ...]
    known_keys: tuple[str, ...] = ()
    is_key: bool = False


def find_place(model: type[BaseModel], loc: Sequence[Step], data: Any) -> Place | None:
    """None: the error is about a branch that the author did not mean."""
    annotation: Any = model
    metadata: tuple[Any, ...] = ()
    path: list[Step] = []
    known: tuple[str, ...] = ()
    value, rest = data, list(loc)
    while True:
        annotation, found = unwrapped(annotation)
        metadata = (*metadata, *found)
        members = alternatives(annotation)
        if members and rest:
            tag = _discriminator(metadata)
            chosen = _tagged(members, tag, rest[0]) if tag else _meant(members, value)
            if not tag and not _is_branch(chosen, members, rest[0]):
                return None
            del rest[0]
            plain = [m for m in members if not _is_model(unwrapped(m)[0])]
            if not tag and not rest and chosen in plain and len(plain) > 1:
                return Place(tuple(path), value, Union[tuple(plain)], (), known)  # noqa: UP007 - made from a list
            annotation, metadata = chosen, ()
            continue
        if not rest:
            return Place(tuple(path), value, annotation, metadata, known)
        step = rest.pop(0)
        if step == "[key]":
            return Place(tuple(path), path[-1], annotation, metadata, known, is_key=True)
        path.append(step)
        value = _child(value, step)
        if rest[:1] == ["[key]"] and get_origin(annotation) is dict:
            annotation, metadata, known = get_args(annotation)[0], (), ()
        else:
            annotation, metadata, known = _below(annotation, step)


def unwrapped(annotation: Any) -> tuple[Any, tuple[Any, ...]]:
    """The type without Annotated and `| None`, and the metadata that came off."""
    metadata: tuple[Any, ...] = ()
    while True:
        if get_origin(annotation) is Annotated:
            metadata = (*metadata, *annotation.__metadata__)
            annotation = annotation.__origin__
        elif _is_union(annotation) and len(members := [m for m in get_args(annotation) if m is not type(None)]) == 1:
            annotation = members[0]
        else:
            return annotation, metadata


def alternatives(annotation: Any) -> tuple[Any, ...]:
    """Members of a union, without None; empty for anything else."""
    return tuple(m for m in get_args(annotation) if m is not type(None)) if _is_union(annotation) else ()


def keys_of(annotation: Any) -> tuple[str, ...]:
    """Keys a mapping for this type may have; empty when any key goes."""
    annotation, _ = unwrapped(annotation)
    return tuple(_fields(annotation)) if _is_model(annotation) else ()


def _fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _below(annotation: Any, step: Step) -> tuple[Any, tuple[Any, ...], tuple[str, ...]]:
    if _is_model(annotation):
        fields = _fields(annotation)
        field = fields.get(str(step))
        if field is None:
            return Any, (), tuple(fields)
        return field.annotation, (*field.metadata, field), tuple(fields)
    arguments = get_args(annotation)
    if get_origin(annotation) is dict:
        return arguments[1], (), ()
    if get_origin(annotation) is tuple and Ellipsis not in arguments and isinstance(step, int):
        return arguments[step] if step < len(arguments) else Any, (), ()
    return (arguments[0] if arguments else Any), (), ()


def _child(value: Any, step: Step) -> Any:
    if isinstance(value, dict):
        return value.get(step, ABSENT)
    if isinstance(value, list) and isinstance(step, int) and step < len(value):
        return value[step]
    return ABSENT


def _is_union(annotation: Any) -> bool:
    return get_origin(annotation) in (Union, types.UnionType)


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def _discriminator(metadata: tuple[Any, ...]) -> str | None:
    tags = (item.discriminator for item in metadata if isinstance(item, FieldInfo))
    return next((tag for tag in tags if isinstance(tag, str)), None)


def _tagged(members: tuple[Any, ...], tag: str, wanted: Step) -> Any:
    for member in members:
        inner, _ = unwrapped(member)
        field = _fields(inner).get(tag) or inner.model_fields.get(tag)
        if field is not None and get_origin(field.annotation) is Literal and wanted in get_args(field.annotation):
            return inner
    return Any


def _meant(members: tuple[Any, ...], value: Any) -> Any:
    """The branch of an untagged union that a value looks most like."""
    models = [m for m in members if _is_model(unwrapped(m)[0])]
    others = [m for m in members if m not in models]
    if models and (isinstance(value, dict) or not others):
        keys = set(value) if isinstance(value, dict) else set()
        return max(models, key=lambda model: len(keys & set(keys_of(model))))
    return others[0]


def _is_branch(chosen: Any, members: tuple[Any, ...], label: Step) -> bool:
    names = {inner.__name__: inner for m in members if _is_model(inner := unwrapped(m)[0])}
    inner, _ = unwrapped(chosen)
    return names.get(str(label)) is inner if _is_model(inner) else str(label) not in names
