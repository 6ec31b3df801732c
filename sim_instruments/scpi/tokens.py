"""
Program messages taken apart (IEEE 488.2, 7.3 to 7.7): units, headers, data elements.

Text is Latin-1, so that the bytes of a block come through one to one.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from sim_instruments.scpi.faults import Fault

__all__ = [
    "BlockToken",
    "ChannelToken",
    "ExpressionToken",
    "NumberToken",
    "StringToken",
    "Token",
    "WordToken",
    "read_token",
    "split_arguments",
    "split_units",
]


class NumberToken(NamedTuple):
    """Decimal or non-decimal number with its suffix in capitals, "" when it has none."""

    value: float
    suffix: str


class WordToken(NamedTuple):
    """Character data, in capitals."""

    text: str


class StringToken(NamedTuple):
    text: str


class ChannelToken(NamedTuple):
    channels: tuple[int, ...]


class ExpressionToken(NamedTuple):
    text: str


class BlockToken(NamedTuple):
    data: bytes


Token = NumberToken | WordToken | StringToken | ChannelToken | ExpressionToken | BlockToken

# Mantissa, exponent, then a suffix. "5 EX" is 5 with the multiplier exa, not an exponent: an exponent needs a digit.
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))(?: *[Ee] *([+-]?\d+))?\s*([A-Za-z/%.\-\d]*)")
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]*")
_CHANNEL_RANGE = re.compile(r"\s*(\d{1,6})\s*(?::\s*(\d{1,6})\s*)?")
_NON_DECIMAL = {"H": 16, "Q": 8, "B": 2}

DIGITS = frozenset("0123456789")
MOST_CHANNELS = 1000
LONGEST_WORD = 12
LONGEST_SUFFIX = 12
LONGEST_MANTISSA = 255
LARGEST_EXPONENT = 32000


def _split(text: str, separator: str) -> list[str]:
    """Split at `separator` outside strings, parentheses and blocks."""
    parts: list[str] = []
    start = position = depth = 0
    quote = ""
    while position < len(text):
        character = text[position]
        if quote:
            # A doubled quote closes and opens again at once, which comes to the same.
            if character == quote:
                quote = ""
        elif character in "\"'":
            quote = character
        elif character == "(":
            depth += 1
        elif character == ")":
            depth -= 1
        elif character == "#" and text[position + 1 : position + 2] in DIGITS:
            position = _end_of_block(text, position) - 1
        elif character == separator and depth <= 0:
            parts.append(text[start:position])
            start = position + 1
        position += 1
    if quote:
        raise Fault(-151, "no closing quote")
    if depth != 0:
        raise Fault(-171, "parentheses do not match")
    parts.append(text[start:])
    return parts


def _is_number(text: str) -> bool:
    # isdigit() alone takes superscripts too, which Latin-1 has.
    return text.isascii() and text.isdigit()


def _end_of_block(text: str, start: int) -> int:
    digits = int(text[start + 1])
    if digits == 0:
        return len(text)
    count = text[start + 2 : start + 2 + digits]
    end = start + 2 + digits + (int(count) if _is_number(count) and len(count) == digits else len(text))
    if end > len(text):
        raise Fault(-161, "fewer bytes than the header says")
    return end


def _is_plain(text: str) -> bool:
    return not ('"' in text or "'" in text or "#" in text or "(" in text)


def split_units(message: str) -> list[str]:
    """Message units, in order, without white space around them. Raises Fault."""
    units = message.split(";") if _is_plain(message) else _split(message, ";")
    return [unit.strip() for unit in units]


def split_arguments(text: str) -> list[str]:
    """Data elements of one unit. Raises Fault."""
    parts = text.split(",") if _is_plain(text) else _split(text, ",")
    return [part.strip() for part in parts]


def read_token(text: str) -> Token:
    """One data element. Raises Fault."""
    if not text:
        raise Fault(-109, "empty between commas")
    first = text[0]
    if first in "+-.0123456789":
        return _read_number(text)
    if first.isascii() and first.isalpha():
        return _read_word(text)
    if first in "\"'":
        return _read_string(text, first)
    if first == "(":
        return _read_parentheses(text)
    if first == "#":
        return _read_hash(text)
    raise Fault(-101, text[:20])


def _read_number(text: str) -> NumberToken:
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise Fault(-121, text[:40])
    mantissa, exponent, suffix = match.groups()
    if len(mantissa) > LONGEST_MANTISSA:
        raise Fault(-124)
    if exponent is not None and abs(int(exponent[:8])) > LARGEST_EXPONENT:
        raise Fault(-123, exponent[:20])
    if len(suffix) > LONGEST_SUFFIX:
        raise Fault(-134, suffix)
    if suffix and not (suffix[0].isalpha() or suffix[0] in "/%"):
        raise Fault(-121, text[:40])
    return NumberToken(float(f"{mantissa}E{exponent or 0}"), suffix.upper())


def _read_word(text: str) -> WordToken:
    if _WORD.fullmatch(text) is None:
        raise Fault(-141, text[:40])
    if len(text) > LONGEST_WORD:
        raise Fault(-144, text[:40])
    return WordToken(text.upper())


def _read_string(text: str, quote: str) -> StringToken:
    body = text[1:-1]
    if len(text) < 2 or text[-1] != quote or quote in body.replace(quote * 2, ""):
        raise Fault(-151, text[:40])
    return StringToken(body.replace(quote * 2, quote))


def _read_parentheses(text: str) -> ChannelToken | ExpressionToken:
    if text[-1] != ")":
        raise Fault(-171, text[:40])
    if not text.startswith("(@"):
        return ExpressionToken(text[1:-1])
    channels: list[int] = []
    for part in text[2:-1].split(","):
        match = _CHANNEL_RANGE.fullmatch(part)
        if match is None:
            raise Fault(-171, text[:40])
        first, last = int(match[1]), int(match[2] or match[1])
        step = 1 if last >= first else -1
        if abs(last - first) + len(channels) >= MOST_CHANNELS:
            raise Fault(-222, "channel list too long")
        channels.extend(range(first, last + step, step))
    return ChannelToken(tuple(channels))


def _read_hash(text: str) -> NumberToken | BlockToken:
    base = _NON_DECIMAL.get(text[1:2].upper())
    if base is not None:
        digits = text[2:]
        # int() would take "_" and white space too.
        if not digits.isalnum():
            raise Fault(-121, text[:40])
        try:
            return NumberToken(float(int(digits, base)), "")
        except ValueError:
            raise Fault(-121, text[:40]) from None
    if text[1:2] not in DIGITS:
        raise Fault(-161, text[:20])
    if _end_of_block(text, 0) != len(text):
        raise Fault(-103, "after a block")
    return BlockToken(text[2 + int(text[1]) :].encode("latin-1"))
