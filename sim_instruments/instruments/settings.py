"""Helpers to state a setting once: its header, its limits, how it is set, how it is asked."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sim_instruments.scpi import Boolean, Choice, Command, Integer, LimitWord, Maybe, Number
from sim_instruments.scpi.formats import boolean, number

__all__ = ["choice_setting", "integer_setting", "number_setting", "switch_setting"]


def number_setting(pattern: str, limits: Number, get: Callable[[], float], put: Callable[..., None]) -> Command:
    """A number; `<header>? MAX` asks for its limit. `put(t, *suffixes, value)`."""

    def ask(_t: float, *values: Any) -> str:
        word: str | None = values[-1]
        return number(get() if word is None else limits.limit(word))

    return Command(pattern, act=put, takes=(limits,), ask=ask, ask_takes=(Maybe(LimitWord()),))


def integer_setting(pattern: str, limits: Integer, get: Callable[[], int], put: Callable[[float, int], None]) -> Command:
    """A whole number."""

    def ask(_t: float, word: str | None) -> str:
        return str(get() if word is None else limits.limit(word))

    return Command(pattern, act=put, takes=(limits,), ask=ask, ask_takes=(Maybe(LimitWord()),))


def switch_setting(pattern: str, get: Callable[[], bool], put: Callable[[float, bool], None]) -> Command:
    """On or off."""
    return Command(pattern, act=put, takes=(Boolean(),), ask=lambda _t: boolean(get()))


def choice_setting(pattern: str, words: Choice, get: Callable[[], str], put: Callable[[float, str], None]) -> Command:
    """One of a set of words."""
    return Command(pattern, act=put, takes=(words,), ask=lambda _t: get())
