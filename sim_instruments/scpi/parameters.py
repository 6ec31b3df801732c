"""What a command takes: each parameter turns one data element into a value, or says which error it is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from sim_instruments.scpi.faults import Fault
from sim_instruments.scpi.tokens import (
    BlockToken,
    ChannelToken,
    ExpressionToken,
    NumberToken,
    StringToken,
    Token,
    WordToken,
)
from sim_instruments.scpi.units import SUFFIXES

__all__ = ["AnyNumber", "Boolean", "Channels", "Choice", "Integer", "LimitWord", "Many", "Maybe", "Number", "Parameter", "Text"]

_LIMIT_WORDS = {"MIN": "MIN", "MINIMUM": "MIN", "MAX": "MAX", "MAXIMUM": "MAX", "DEF": "DEF", "DEFAULT": "DEF"}

# A data element of a kind that the parameter does not take (21.8.9).
_NOT_ALLOWED: dict[type, int] = {
    NumberToken: -128,
    WordToken: -148,
    StringToken: -158,
    BlockToken: -168,
    ExpressionToken: -178,
    ChannelToken: -178,
}


def _refuse(token: Token) -> Fault:
    return Fault(_NOT_ALLOWED[type(token)], str(token[0])[:40])


class Parameter(Protocol):
    """Reads one data element."""

    def accepts(self, token: Token) -> bool:
        """Whether it is of the right kind; decides whether an optional parameter is there."""
        ...

    def read(self, token: Token) -> object:
        """Raises Fault."""
        ...


class Number:
    """
    A number within limits, in a base unit.

    Rounded to `resolution` without an error; the range is judged after rounding (21.8.10).

    Args:
        unit: Key of SUFFIXES; what a number without a suffix is in.
        default: What DEFault and *RST set.
        resolution: Smallest step; 0 when it is not coarser than the number itself.
    """

    def __init__(self, unit: str, minimum: float, maximum: float, default: float, resolution: float = 0.0) -> None:
        self.unit, self.minimum, self.maximum, self.default = unit, minimum, maximum, default
        self._resolution = resolution
        self._suffixes = SUFFIXES[unit]

    def accepts(self, token: Token) -> bool:
        return isinstance(token, NumberToken | WordToken)

    def read(self, token: Token) -> float:
        if isinstance(token, NumberToken):
            return self.check(self._in_base_unit(token))
        if isinstance(token, WordToken):
            word = _LIMIT_WORDS.get(token.text)
            if word is None:
                raise Fault(-141, token.text)
            return self.limit(word)
        raise _refuse(token)

    def check(self, value: float) -> float:
        """Rounded; raises Fault -222 outside the limits."""
        if self._resolution:
            # The outer round takes off the last binary digits, so that 0.3 stays 0.3.
            value = round(round(value / self._resolution) * self._resolution, 12)
        if not self.minimum <= value <= self.maximum:
            raise Fault(-222, f"{value:.9g} is not in {self.minimum:.9g} to {self.maximum:.9g} {self.unit}".rstrip())
        return value

    def limit(self, word: str) -> float:
        """What MIN, MAX or DEF stands for."""
        return {"MIN": self.minimum, "MAX": self.maximum, "DEF": self.default}[word]

    def _in_base_unit(self, token: NumberToken) -> float:
        if not token.suffix:
            return token.value
        convert = self._suffixes.get(token.suffix)
        if convert is None:
            raise Fault(-131 if self._suffixes else -138, token.suffix)
        return convert(token.value)


class AnyNumber:
    """A number handed on as it came: for settings whose unit or limits depend on the instrument's state."""

    def accepts(self, token: Token) -> bool:
        return isinstance(token, NumberToken | WordToken)

    def read(self, token: Token) -> Token:
        if not self.accepts(token):
            raise _refuse(token)
        return token


class Integer:
    """A whole number within limits; others are rounded. Takes no suffix."""

    def __init__(self, minimum: int, maximum: int, default: int) -> None:
        self._number = Number("", minimum, maximum, default, resolution=1.0)
        self.default = default

    def accepts(self, token: Token) -> bool:
        return self._number.accepts(token)

    def read(self, token: Token) -> int:
        return int(self._number.read(token))

    def limit(self, word: str) -> int:
        return int(self._number.limit(word))


class Boolean:
    """ON, OFF or a number: rounded, anything but zero is ON."""

    def accepts(self, token: Token) -> bool:
        return isinstance(token, NumberToken | WordToken)

    def read(self, token: Token) -> bool:
        if isinstance(token, NumberToken):
            if token.suffix:
                raise Fault(-138, token.suffix)
            return round(token.value) != 0
        if isinstance(token, WordToken):
            if token.text not in ("ON", "OFF"):
                raise Fault(-141, token.text)
            return token.text == "ON"
        raise _refuse(token)


class Choice:
    """
    One of a set of words, in the long or the short form; the value is the short form, as a query answers it.

    Args:
        words: As a manual prints them, capitals marking the short form, e.g. "IMMediate"; a mapping gives synonyms,
            printed word -> what is stored.
    """

    def __init__(self, *words: str, synonyms: Mapping[str, str] | None = None) -> None:
        self._stored: dict[str, str] = {}
        for word, stored in [(word, _short(word)) for word in words] + list((synonyms or {}).items()):
            self._stored[word.upper()] = self._stored[_short(word)] = stored

    def accepts(self, token: Token) -> bool:
        return isinstance(token, WordToken)

    def read(self, token: Token) -> str:
        if not isinstance(token, WordToken):
            raise _refuse(token)
        try:
            return self._stored[token.text]
        except KeyError:
            raise Fault(-224, token.text) from None


class Text:
    """A string in quotes."""

    def accepts(self, token: Token) -> bool:
        return isinstance(token, StringToken)

    def read(self, token: Token) -> str:
        if not isinstance(token, StringToken):
            raise _refuse(token)
        return token.text


class Channels:
    """
    A channel list.

    Args:
        known: Channels there are; others are out of range.
    """

    def __init__(self, known: frozenset[int]) -> None:
        self._known = known

    def accepts(self, token: Token) -> bool:
        return isinstance(token, ChannelToken)

    def read(self, token: Token) -> tuple[int, ...]:
        if not isinstance(token, ChannelToken):
            raise _refuse(token)
        for channel in token.channels:
            if channel not in self._known:
                raise Fault(-222, f"there is no channel {channel}")
        return token.channels


class LimitWord:
    """MINimum, MAXimum or DEFault behind a query: asks for the limit, not for the setting."""

    def accepts(self, token: Token) -> bool:
        return isinstance(token, WordToken)

    def read(self, token: Token) -> str:
        if not isinstance(token, WordToken):
            raise _refuse(token)
        try:
            return _LIMIT_WORDS[token.text]
        except KeyError:
            raise Fault(-141, token.text) from None


class Maybe:
    """A parameter that may be left out; then its value is None."""

    def __init__(self, parameter: Parameter) -> None:
        self.parameter = parameter


class Many:
    """A parameter that is there once or more, and is the last; its value is a tuple."""

    def __init__(self, parameter: Parameter) -> None:
        self.parameter = parameter


def _short(word: str) -> str:
    return "".join(character for character in word if not character.islower())
