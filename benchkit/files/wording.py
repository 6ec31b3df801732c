"""How a mistake is said: what is there, what was expected with an example, and the nearest thing that is known."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from datetime import date
from typing import Any, Literal, get_args, get_origin

from pydantic.json_schema import WithJsonSchema

from benchkit.files.document import Step
from benchkit.files.fields import AxisOf, QuantityOf
from benchkit.files.place import ABSENT, Place, alternatives, keys_of, unwrapped
from benchkit.quantities.format import format_quantity

__all__ = ["nearest", "say", "unknown"]

_BOUNDS = {
    "greater_than": ("gt", "is not above"),
    "greater_than_equal": ("ge", "is below"),
    "less_than": ("lt", "is not below"),
    "less_than_equal": ("le", "is above"),
}
_NAMES = {
    str: "a text",
    int: "a whole number",
    float: "a number",
    bool: "true or false",
    dict: "a mapping",
    tuple: "a list",
    list: "a list",
    date: "a date such as 2026-01-31",
}
_LONGEST_SHOWN = 60


def nearest(wrong: str, known: Iterable[str]) -> str | None:
    """The known word a misspelt one most looks like."""
    choices = list(known)
    exact = {choice.lower().replace("_", " "): choice for choice in choices}
    folded = wrong.lower().replace("_", " ").replace("-", " ")
    if folded in exact:
        return exact[folded]
    close = difflib.get_close_matches(folded[:_LONGEST_SHOWN], exact, 1, cutoff=0.6)
    return exact[close[0]] if close else None


def say(place: Place, kind: str, context: dict[str, Any], otherwise: str) -> tuple[tuple[Step, ...], str]:
    """
    Args:
        place: Where the mistake stands.
        kind: pydantic's type of error.
        context: What pydantic says besides.
        otherwise: pydantic's own words, for a type of error that has none here.

    Returns:
        What to add to the place's path, and the message.
    """
    if kind == "quantity":
        return (), str(context["reason"])
    if kind in ("value_error", "assertion_error"):
        return (), str(context.get("error") or otherwise)
    if kind == "missing":
        return (), f"missing; expected {_expected(place)}"
    if kind == "extra_forbidden":
        return (), unknown(str(place.path[-1]), place.known_keys, "key")
    if kind == "union_tag_invalid":
        tag = str(context["discriminator"]).strip("'")
        known = [word.strip("' ") for word in str(context["expected_tags"]).split("', '")]
        return (tag,), unknown(str(context["tag"]), known, tag)
    if kind == "union_tag_not_found":
        tag = str(context["discriminator"]).strip("'")
        has_tag = isinstance(place.value, dict) and tag in place.value
        what = f"{shown(place.value[tag])}" if has_tag else "missing"
        return (tag,), f"{what}; expected {_listed(_tags(place, tag))}"
    if kind == "literal_error":
        choices = _choices(place)
        if isinstance(place.value, str):
            return (), unknown(place.value, choices, "value")
        return (), f"{shown(place.value)}; expected {_listed(choices)}"
    if kind in _BOUNDS:
        name, relation = _BOUNDS[kind]
        return (), f"{_plain(place.value)} {relation} {_limit(place, context[name])}"
    if kind == "string_too_short":
        return (), f"is empty; expected {_expected(place)}"
    if kind == "too_short":
        return (), f"has {context['actual_length']} entries; expected at least {context['min_length']}"
    if kind.endswith(("_type", "_parsing", "_from_float")) or kind in (
        "date_from_datetime_parsing",
        "date_from_datetime_inexact",
    ):
        hint = "; write it in quotes" if kind == "string_type" and isinstance(place.value, (int, float, bool)) else ""
        return (), f"{shown(place.value)}; expected {_expected(place)}{hint}"
    return (), f"{shown(place.value)}: {otherwise[0].lower()}{otherwise[1:]}; expected {_expected(place)}"


def shown(value: Any) -> str:
    """What is there, e.g. "is the text 'no'"."""
    if value is ABSENT or value is None:
        return "is empty"
    if isinstance(value, bool):
        return f"is {str(value).lower()}"
    if isinstance(value, (int, float)):
        return f"is the number {value}"
    if isinstance(value, str):
        return f"is the text {_plain(value)}"
    return "is a list" if isinstance(value, list) else "is a mapping"


def _plain(value: Any) -> str:
    text = repr(value) if isinstance(value, str) else str(value)
    return text if len(text) <= _LONGEST_SHOWN else text[: _LONGEST_SHOWN - 3] + "..."


def unknown(wrong: str, known: Iterable[str], what: str) -> str:
    """A word that is not among `known`: which it was, the nearest, and all there are."""
    choices = list(known)
    guess = nearest(wrong, choices)
    text = "unknown key" if what == "key" else f"unknown {what} {_plain(wrong)}"
    if guess is not None:
        text += f"; did you mean {guess}?"
        return f"{text} Known: {', '.join(choices)}"
    return f"{text}; expected {_listed(choices)}" if choices else text


def _listed(words: Iterable[str]) -> str:
    found = list(words)
    return found[0] if len(found) == 1 else "one of " + ", ".join(found)


def _choices(place: Place) -> list[str]:
    annotation, _ = unwrapped(place.annotation)
    return [str(choice) for choice in get_args(annotation)]


def _tags(place: Place, tag: str) -> list[str]:
    tags: list[str] = []
    for member in alternatives(place.annotation):
        field = unwrapped(member)[0].model_fields.get(tag)
        if field is not None:
            tags.extend(str(choice) for choice in get_args(field.annotation))
    return tags or [f"a {tag}"]


def _limit(place: Place, limit: Any) -> str:
    unit = next((item.unit for item in place.metadata if isinstance(item, (QuantityOf, AxisOf))), None)
    return str(limit) if unit is None else format_quantity(float(limit), unit)


def _expected(place: Place) -> str:
    return expectation(place.annotation, place.metadata)


def expectation(annotation: Any, metadata: tuple[Any, ...] = ()) -> str:
    """What a type expects, in words, with an example where there is one."""
    annotation, found = unwrapped(annotation)
    for item in (*metadata, *found):
        if isinstance(item, (QuantityOf, AxisOf)):
            return item.expected
        if isinstance(item, WithJsonSchema) and item.json_schema and "examples" in item.json_schema:
            return f"{item.json_schema.get('title', 'a text')} such as {item.json_schema['examples'][0]}"
    members = alternatives(annotation)
    if members:
        return " or ".join(dict.fromkeys(expectation(member) for member in members))
    if get_origin(annotation) is Literal:
        return _listed(str(choice) for choice in get_args(annotation))
    if keys := keys_of(annotation):
        return f"a mapping with the keys {', '.join(keys)}"
    origin = get_origin(annotation) or annotation
    return _NAMES.get(origin, "another value")
