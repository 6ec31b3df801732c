"""What all conformance checks have in common: saying which promise was broken, and the promises of every instrument."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TypeVar

from benchkit.errors import ClosedError, ErrorQueueError, LimitError, MisuseError
from benchkit.roles import Instrument, ReadingInstrument

__all__ = [
    "Changes",
    "check_closing",
    "check_errors_are_told",
    "check_every_instrument",
    "check_limits",
    "check_reading_order",
    "check_sent_once",
    "opened",
    "raises",
    "require",
]

I = TypeVar("I", bound=Instrument)  # noqa: E741 - an instrument
E = TypeVar("E", bound=BaseException)

_UNKNOWN_COMMAND = ":NOSUCH:HEADER 1"


def require(kept: bool, promise: str) -> None:
    """Raise AssertionError with `promise` unless it is kept."""
    if not kept:
        raise AssertionError(f"not kept: {promise}")


def raises(kind: type[E], act: Callable[[], object], promise: str) -> E:
    """Require that `act` raises `kind`, and return what it raised."""
    try:
        act()
    except kind as error:
        return error
    raise AssertionError(f"not kept: {promise} (expected {kind.__name__}, nothing was raised)")


@contextmanager
def opened(make: Callable[[], I]) -> Iterator[I]:
    """An instrument of `make`, let go of at the end however the check ended."""
    instrument = make()
    try:
        yield instrument
    finally:
        instrument.release()


class Changes:
    """Listens to an instrument: every setting it was told to change."""

    def __init__(self, instrument: Instrument) -> None:
        self.told: list[tuple[str, object]] = []
        instrument.listener = lambda _name, setting, value: self.told.append((setting, value))


def check_every_instrument(instrument: Instrument) -> None:
    """It says who it is, and after prepare() its error queue is empty."""
    identity = instrument.identify()
    require(bool(identity.maker and identity.model), "an instrument says its maker and model")
    instrument.prepare()
    require(instrument.read_errors() == [], "after prepare() the error queue is empty")


def check_errors_are_told(instrument: Instrument) -> None:
    """A command that the instrument does not know is told by check_errors(), once."""
    instrument._write(_UNKNOWN_COMMAND)
    raises(ErrorQueueError, instrument.check_errors, "check_errors() tells of a command the instrument does not know")
    instrument.check_errors()


def check_limits(
    set_value: Callable[[float], object], name: str, key: str, *, low: float | None, high: float | None, step: float
) -> None:
    """
    A value beyond a limit, and NaN, are refused, naming the bench file's key.

    Args:
        low, high: The limits; None: that side has none.
        step: By how much to go beyond.
    """
    wrong = [math.nan]
    wrong += [] if high is None else [high + step, math.inf]
    wrong += [] if low is None else [low - step, -math.inf]
    for value in wrong:

        def set_wrong(value: float = value) -> None:
            set_value(value)

        error = raises(LimitError, set_wrong, f"{name}: {value:g} is beyond {key} and so refused")
        require(name in str(error), f"the error for {value:g} names {name}: {error}")
        if not math.isnan(value):
            require(key in error.source, f"the error for {value:g} names {key}: {error}")


def check_sent_once(instrument: Instrument, act: Callable[[], object], what: str) -> None:
    """A setting that is set already is not sent again, until what was set is forgotten."""
    changes = Changes(instrument)
    instrument.forget_settings()
    act()
    require(len(changes.told) == 1, f"{what} is set when it is asked for")
    act()
    require(len(changes.told) == 1, f"{what} that is set already is not sent again")
    instrument.forget_settings()
    act()
    require(len(changes.told) == 2, f"{what} is sent again after forget_settings()")
    instrument.listener = None


def check_reading_order(
    instrument: ReadingInstrument, arm: Callable[[], object], collect: Callable[[], object], ready: Callable[[], object]
) -> None:
    """
    arm() then collect(), each once; an abandoned reading never becomes the next answer.

    Args:
        ready: Sets what must be set again after everything was forgotten.
    """
    ready()
    raises(MisuseError, collect, "collect() without arm() is refused")
    arm()
    require(instrument.is_armed, "is_armed says that a reading is due")
    raises(MisuseError, arm, "arm() twice is refused")
    collect()
    require(not instrument.is_armed, "after collect() nothing is due")
    raises(MisuseError, collect, "collect() twice is refused")
    arm()
    instrument.abandon()
    raises(MisuseError, collect, "collect() after abandon() is refused")
    ready()
    arm()
    collect()
    instrument.check_errors()


def check_closing(instrument: Instrument, *acts: Callable[[], object]) -> None:
    """Closing twice is fine; after it everything is refused."""
    instrument.close()
    instrument.close()
    require(instrument.is_closed, "is_closed says so after close()")
    for act in (instrument.identify, instrument.prepare, instrument.make_safe, instrument.read_errors, *acts):
        raises(ClosedError, act, "a closed instrument refuses everything")
