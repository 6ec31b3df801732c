"""
How a fault is written: NAME@WHEN, or NAME:INSTRUMENT@WHEN. The grammar alone; what the names mean, who plants them knows.

WHEN is one of

    12.5 s          that long after the first message to any instrument (s, ms, min, h)
    message 812     when the 812th message to an instrument is under way, counted from 1
    point 340       before point 340 is measured, as the record numbers it (from 0)
    condition 3     when the third condition is biased, before its first point (from 1)
    random:7        at a moment drawn from the seed 7, anywhere in the run's estimated time
    random:7 in 90 s   the same, anywhere in the first 90 s
"""

from __future__ import annotations

import random
import re
from dataclasses import dataclass, replace
from typing import Literal

from benchkit.errors import FileError, Mistake, QuantityError
from benchkit.quantities import parse_quantity

__all__ = ["FaultText", "When", "fault_mistake", "parse_fault"]

EXAMPLES = "120 s, message 812, point 340, condition 3, random:7, random:7 in 90 s"
_COUNTED = re.compile(r"(message|point|condition)[ :]+([0-9]{1,9})")
_RANDOM = re.compile(r"random:([0-9]{1,18})(?: +in +(.+))?")
_NAME = re.compile(r"[a-z][a-z0-9-]*")
# The first of each, as it is counted.
_FIRST = {"message": 1, "point": 0, "condition": 1}

Kind = Literal["time", "message", "point", "condition", "random"]


@dataclass(frozen=True)
class When:
    """
    The moment a fault comes.

    Attributes:
        kind: What is counted.
        value: Seconds for "time"; a number for "message", "point", "condition"; the seed for "random".
        span_s: For "random": drawn from this long; None: the run's estimated time. [s]
    """

    kind: Kind
    value: float
    span_s: float | None = None

    def settled(self, span_s: float | None) -> When | None:
        """The same with a random moment drawn, from `span_s` unless it names its own; None: there is no span. [s]"""
        if self.kind != "random":
            return self
        within_s = self.span_s if self.span_s is not None else span_s
        if within_s is None:
            return None
        # Not hash() and not the global generator: the same seed is the same moment everywhere.
        return When("time", random.Random(int(self.value)).uniform(0.0, within_s))

    def __str__(self) -> str:
        if self.kind == "time":
            return f"{self.value:.6g} s"
        if self.kind == "random":
            return f"random:{self.value:.0f}" + ("" if self.span_s is None else f" in {self.span_s:g} s")
        return f"{self.kind} {self.value:.0f}"


@dataclass(frozen=True)
class FaultText:
    """One fault as it was asked for. `instrument` is "" when none was named."""

    name: str
    instrument: str
    when: When

    def settled(self, span_s: float | None) -> FaultText:
        """
        The same with a random moment drawn. [s]

        Raises:
            FileError: It is random over the run's time, and nobody knows how long that is.
        """
        when = self.when.settled(span_s)
        if when is None:
            message = f"how long the run takes is not known here; say `random:{self.when.value:.0f} in 90 s`"
            raise fault_mistake(str(self), message)
        return replace(self, when=when)

    def __str__(self) -> str:
        return f"{self.name}:{self.instrument}@{self.when}" if self.instrument else f"{self.name}@{self.when}"


def parse_fault(text: str) -> FaultText:
    """
    Read one fault.

    Raises:
        FileError: Not NAME@WHEN; says what is wrong, and shows what a moment can look like.
    """
    what, at, moment = text.partition("@")
    if not at:
        raise fault_mistake(text, f"says no moment; write NAME@WHEN, with WHEN one of {EXAMPLES}")
    name, colon, instrument = what.strip().partition(":")
    if not _NAME.fullmatch(name) or (colon and not instrument.strip()):
        raise fault_mistake(text, "is not NAME@WHEN or NAME:INSTRUMENT@WHEN")
    return FaultText(name, instrument.strip(), _when(text, moment.strip()))


def fault_mistake(text: str, message: str) -> FileError:
    """The error for a fault that cannot be had as asked."""
    return FileError([Mistake(f"fault {text!r}", None, "", message)])


def _when(text: str, moment: str) -> When:
    counted = _COUNTED.fullmatch(moment)
    if counted is not None:
        kind, number = counted.group(1), int(counted.group(2))
        if number < _FIRST[kind]:
            raise fault_mistake(text, f"{kind} {number}: they are counted from {_FIRST[kind]}")
        return When(kind, number)  # type: ignore[arg-type]  # one of the three words the pattern takes
    drawn = _RANDOM.fullmatch(moment)
    if drawn is not None:
        return When("random", int(drawn.group(1)), None if drawn.group(2) is None else _seconds(text, drawn.group(2)))
    return When("time", _seconds(text, moment))


def _seconds(text: str, duration: str) -> float:
    try:
        seconds = parse_quantity(duration, "s")
    except QuantityError as error:
        raise fault_mistake(text, f"{error}; WHEN is one of {EXAMPLES}") from error
    if seconds < 0:
        raise fault_mistake(text, f"{duration!r} is before the run begins")
    return seconds
