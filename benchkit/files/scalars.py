"""
What a YAML scalar means: the core schema of YAML 1.2.2, section 10.3.2, and nothing besides.

So `no`, `on` and `12:30` are texts, `1e3` is a number, a date stays a text until a model asks for a date.
"""

from __future__ import annotations

import math
import re

__all__ = ["Scalar", "plain_scalar", "why_no_text"]

Scalar = str | int | float | bool | None

_NULL = re.compile("null|Null|NULL|~|")
_BOOL = re.compile("true|True|TRUE|false|False|FALSE")
_INT = re.compile("[-+]?[0-9]+")
_OCTAL = re.compile("0o[0-7]+")
_HEX = re.compile("0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_NOT_FINITE = re.compile(r"[-+]?(\.inf|\.Inf|\.INF)|\.nan|\.NaN|\.NAN")
_LONGEST_NUMBER = 60  # characters: int() of a million digits takes minutes

# Tab and newline are text; other control characters have no business in a file that people read, and would go out to
# a terminal or an instrument. A lone surrogate is half a character.
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\ud800-\udfff]")


def plain_scalar(text: str) -> Scalar:
    """
    The value of an unquoted scalar.

    Raises:
        ValueError: A number that is not finite or absurdly long.
    """
    if _NULL.fullmatch(text):
        return None
    if _BOOL.fullmatch(text):
        return text[0] in "tT"
    if text[0] not in "-+.0123456789":
        return text
    if _NOT_FINITE.fullmatch(text):
        raise ValueError(f"{text} is not a finite number; nothing on a bench is")
    if not (_FLOAT.fullmatch(text) or _OCTAL.fullmatch(text) or _HEX.fullmatch(text)):
        return text
    if len(text) > _LONGEST_NUMBER:
        raise ValueError(f"a number of {len(text)} characters; at most {_LONGEST_NUMBER} are read")
    if _INT.fullmatch(text):
        return int(text)
    if text.startswith(("0o", "0x")):
        return int(text, 0)
    value = float(text)
    if not math.isfinite(value):
        raise ValueError(f"{text} is too large a number")
    return value


def why_no_text(text: str) -> str | None:
    """Why a scalar is not taken as text; None: it is."""
    found = _CONTROL.search(text)
    return None if found is None else f"has the control character {found.group()!r} in it"
