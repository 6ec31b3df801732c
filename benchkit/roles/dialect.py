"""
A driver's commands as data: templates with named fields, which the bench file may respell.

A template is text with fields such as `:POW {level_dbm:.15g} DBM`. It is filled in by str.format; so that a file can
never reach more than the numbers handed over, fields are plain names the driver's own template has, and formats are
those of plain numbers. What is wrong in a file's `dialect:` is found when the instrument is opened, all at once.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from string import Formatter

from benchkit.errors import FileError, Mistake
from benchkit.scpi import has_query

__all__ = ["Dialect", "dialect_mistakes", "read_dialect"]

Fill = Callable[..., str]

_FORMAT = re.compile(r"[+ ]?0?\d{0,2}(\.\d{1,2})?[eEfFgGd]?", re.ASCII)
_LONGEST = 400
# A field may be left out of a respelled command only if the instrument may not have the thing: a supply with one output
# needs no number for it.
_FIELDS_THAT_MAY_GO = frozenset({"channel"})
_WHOLE_NUMBERS = frozenset({"channel", "averages", "points", "trace", "output_port", "input_port"})
_TEXTS = frozenset({"routes", "frequencies"})


@dataclass(frozen=True)
class Dialect:
    """
    Commands ready to be filled in, and the plain values beside them.

    Attributes:
        absent: Commands that the instrument has not.
        commands: By name; each takes its fields by keyword. Empty text comes of a command that the instrument has not.
        values: By name, as text: resolutions, fixed units and the like.
    """

    absent: frozenset[str]
    commands: Mapping[str, Fill]
    values: Mapping[str, str]


def read_dialect(
    commands: Mapping[str, str],
    values: Mapping[str, str],
    respelled: Mapping[str, str],
    *,
    may_be_empty: frozenset[str],
    instrument: str,
) -> Dialect:
    """
    Put what the bench file respells over what the driver says.

    Args:
        commands: The driver's templates.
        values: The driver's values.
        respelled: The bench file's `dialect:`; names of either.
        may_be_empty: Commands an instrument may not have.
        instrument: Its name in the bench file, for messages.

    Raises:
        FileError: Every mistake in `respelled`.
    """
    mistakes = dialect_mistakes(commands, values, respelled, may_be_empty=may_be_empty)
    if mistakes:
        raise FileError(
            [Mistake("bench file", None, f"instruments.{instrument}.dialect.{name}", text) for name, text in mistakes]
        )
    merged = {name: respelled.get(name, template) for name, template in commands.items()}
    return Dialect(
        frozenset(name for name, template in merged.items() if not template),
        {name: template.format for name, template in merged.items()},
        {name: respelled.get(name, value) for name, value in values.items()},
    )


def dialect_mistakes(
    commands: Mapping[str, str],
    values: Mapping[str, str],
    respelled: Mapping[str, str],
    *,
    may_be_empty: frozenset[str],
) -> list[tuple[str, str]]:
    """Every mistake in `respelled`: the entry's name and what is wrong with it."""
    mistakes = []
    for name, text in respelled.items():
        if name in commands:
            problem = _command_problem(commands[name], text, name in may_be_empty)
        elif name in values:
            problem = _text_problem(text)
        else:
            known = sorted([*commands, *values])
            near = difflib.get_close_matches(name, known, n=1)
            hint = f"did you mean {near[0]}? " if near else ""
            problem = f"this driver has no such command. {hint}It has {', '.join(known)}"
        if problem:
            mistakes.append((name, problem))
    return mistakes


def _text_problem(text: str) -> str:
    if len(text) > _LONGEST:
        return f"{len(text)} characters are too long for a command; at most {_LONGEST}"
    if not (text.isascii() and (text.isprintable() or not text)):
        return f"{text!r} has characters that are not printable ASCII; a newline would end the message"
    return ""


def _command_problem(default: str, text: str, may_be_empty: bool) -> str:
    problem = _text_problem(text)
    if problem:
        return problem
    if not text.strip():
        return "" if may_be_empty else "may not be empty: nothing would be sent where something must be"
    allowed = _fields(default)
    try:
        fields = _fields(text)
    except ValueError as error:
        return str(error)
    unknown = sorted(fields - allowed)
    if unknown:
        return f"has no field {{{unknown[0]}}}; it may use {_listed(allowed)}"
    missing = sorted(allowed - fields - _FIELDS_THAT_MAY_GO)
    if missing:
        return f"must use the field {{{missing[0]}}}, or what was asked for would never be sent"
    try:
        text.format(**{name: 1 if name in _WHOLE_NUMBERS else "1" if name in _TEXTS else 1.5 for name in fields})
    except (ValueError, TypeError) as error:
        return f"{text!r} cannot be filled in: {error}"
    if has_query(default) != has_query(text):
        verb = "must ask something" if has_query(default) else "must not ask anything"
        return f"{verb}, as the driver's own {default!r}"
    return ""


def _fields(template: str) -> set[str]:
    """
    Names of the fields.

    Raises:
        ValueError: Not a template, or a field that is more than a plain name with a number's format.
    """
    fields = set()
    for _, name, form, conversion in Formatter().parse(template):
        if name is None:
            continue
        if not name.isidentifier():
            raise ValueError(f"{{{name}}} is not a plain name; a field is a name such as {{channel}}")
        if conversion is not None or not _FORMAT.fullmatch(form or ""):
            raise ValueError(f"the field {{{name}}} may have a number's format only, such as {{{name}:.3f}}")
        fields.add(name)
    return fields


def _listed(fields: set[str]) -> str:
    return ", ".join(f"{{{name}}}" for name in sorted(fields)) or "no fields"
