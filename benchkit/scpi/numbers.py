"""
Numbers and booleans, to and from text.

IEEE 488.2 names three forms of decimal numbers in replies: NR1 (integer), NR2 (with a point), NR3 (with an exponent).
SCPI-1999 Vol 1, 7.2.1: 9.9E37 is infinity, -9.9E37 minus infinity and 9.91E37 "not a number": what an instrument
answers when it has no value. Taken for volts, each would be an entry in a table; so they are named here, once.
"""

from __future__ import annotations

import math
import re

from benchkit.scpi.syntax import ScpiSyntaxError

__all__ = [
    "SCPI_INFINITY",
    "SCPI_NAN",
    "format_number",
    "parse_boolean",
    "parse_integer",
    "parse_number",
    "parse_numbers",
]

SCPI_INFINITY = 9.9e37
SCPI_NAN = 9.91e37

# An instrument that computes in single precision prints 9.91E37 as 9.90999985E+37: the sentinels are compared with room
# for its 24 bits (6e-8), far less than the 1e-3 that lies between the two.
_SENTINEL_TOLERANCE = 1e-6
# What is smaller in magnitude is a number.
_LARGEST = SCPI_INFINITY * (1 - _SENTINEL_TOLERANCE)

_DECIMAL = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_DECIMAL_CHARACTERS = "0123456789+-.eE"
_NON_DECIMAL = re.compile(r"#(?:[hH][0-9a-fA-F]+|[qQ][0-7]+|[bB][01]+)", re.ASCII)
_BASES = {"h": 16, "q": 8, "b": 2}

_WORDS = {
    "NAN": math.nan,
    "INF": math.inf,
    "INFINITY": math.inf,
    "NINF": -math.inf,
    "NINFINITY": -math.inf,
}


def format_number(value: float) -> str:
    """
    Write a number so that the instrument reads exactly this double: the shortest decimal that round-trips.

    Raises:
        ValueError: NaN or infinity, which no setting can be.
    """
    if not math.isfinite(value):
        raise ValueError(f"{value!r} cannot be sent as a number; a setting must be finite")
    text = repr(value) if isinstance(value, int) else repr(float(value))
    if "e" not in text:
        return text.removesuffix(".0") if text not in {"-0.0", "-0"} else "0"
    return text.upper()


def parse_number(reply: str) -> float:
    """
    Read one decimal number (NR1, NR2 or NR3).

    Returns:
        The number; NaN for SCPI's 9.91E37, plus or minus infinity for 9.9E37 and -9.9E37.

    Raises:
        ScpiSyntaxError: Anything else: empty, units behind the number, two numbers, a number beyond SCPI's infinity.
    """
    # Of these characters alone float() takes what _DECIMAL takes; nearly every reply ends here, at a fourth of the time.
    if not reply.strip(_DECIMAL_CHARACTERS):
        try:
            value = float(reply)
        except ValueError:
            value = math.nan  # told below, with its place
        if -_LARGEST < value < _LARGEST:
            return value
    text = reply.strip()
    match = _DECIMAL.match(text)
    if match is None:
        word = _WORDS.get(text.upper())
        if word is not None:
            return word
        raise ScpiSyntaxError(reply, len(reply) - len(reply.lstrip()), "a decimal number such as +1.234E-03")
    if match.end() != len(text):
        raise ScpiSyntaxError(reply, reply.index(text) + match.end(), "the end of one decimal number")
    value = float(text)
    if abs(value) < _LARGEST:
        return value
    if math.isclose(value, SCPI_NAN, rel_tol=_SENTINEL_TOLERANCE):
        return math.nan
    if math.isclose(abs(value), SCPI_INFINITY, rel_tol=_SENTINEL_TOLERANCE):
        return math.copysign(math.inf, value)
    raise ScpiSyntaxError(reply, 0, "less than 9.9E37, SCPI's infinity, in magnitude; or 9.91E37, no value")


def parse_numbers(reply: str) -> list[float]:
    """
    Read numbers separated by commas (FORMat ASCii).

    Raises:
        ScpiSyntaxError: One of them is not a number; the position is that in the whole reply.
    """
    numbers = []
    start = 0
    for part in reply.split(","):
        try:
            numbers.append(parse_number(part))
        except ScpiSyntaxError as error:
            raise ScpiSyntaxError(reply, start + error.position, error.expected) from None
        start += len(part) + 1
    return numbers


def parse_integer(reply: str) -> int:
    """
    Read an integer: NR1, non-decimal (#H1F, #Q17, #B101), or a decimal whose value is whole (+1.000E+01).

    Raises:
        ScpiSyntaxError: Not a number, or not a whole one.
    """
    text = reply.strip()
    if _NON_DECIMAL.fullmatch(text):
        return int(text[2:], _BASES[text[1].lower()])
    value = parse_number(reply)
    if not math.isfinite(value) or value != math.floor(value):
        raise ScpiSyntaxError(reply, 0, "an integer")
    # NR1 is read by int(), which is exact beyond the 53 bits of a double.
    return int(text) if text.lstrip("+-").isdigit() else int(value)


def parse_boolean(reply: str) -> bool:
    """
    Read a boolean: `1` or `0` (SCPI-1999 Vol 1, 7.3), also as ON or OFF.

    Raises:
        ScpiSyntaxError: Anything else; 2 is an answer to another question.
    """
    text = reply.strip().upper()
    if text in {"1", "+1", "ON"}:
        return True
    if text in {"0", "+0", "OFF"}:
        return False
    raise ScpiSyntaxError(reply, 0, "1 or 0")
