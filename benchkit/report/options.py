"""What a report is asked for besides its records: tolerance intervals, imported data, names of the occasions, how much of it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from benchkit.errors import FileError, Mistake
from benchkit.results.result import UNPOWERED_V, supply_text

__all__ = ["Against", "ReportOptions", "Tolerance", "parse_against", "parse_tolerance"]

DEFAULT_DEGC = 25.0
_NUMBER = r"[+-]?\d+(?:\.\d+)?"
_TEMPERATURE = re.compile(rf"({_NUMBER})\s*(?:degC|°C)?")
_SUPPLY = re.compile(rf"({_NUMBER})\s*V")


@dataclass(frozen=True)
class Tolerance:
    """`content`: part of all parts, `confidence`: probability that the interval holds so many; both 0 to 1."""

    content: float
    confidence: float

    @property
    def text(self) -> str:
        return f"{100 * self.content:g} % of parts with {100 * self.confidence:g} % confidence"


@dataclass(frozen=True)
class Against:
    """
    A file of simulated or earlier data, and the measured traces it belongs to.

    Attributes:
        temperature_degc: None: not stated, which means 25 degC, and traces whose temperature was not set. [degC]
        channel, supply_v: None: any.
        is_stated: Whether anything was.
    """

    path: Path
    temperature_degc: float | None = None
    channel: str | None = None
    supply_v: float | None = None

    @property
    def is_stated(self) -> bool:
        return not (self.temperature_degc is None and self.channel is None and self.supply_v is None)


@dataclass(frozen=True)
class ReportOptions:
    """
    Attributes:
        occasions: One for each record, in their order, e.g. "wafer", "package"; empty: the day tells.
        abridged: Without what only whoever doubts a number needs: tables in detail, events, budgets, exact texts.
    """

    tolerance: Tolerance | None = None
    against: tuple[Against, ...] = ()
    occasions: tuple[str, ...] = field(default=())
    abridged: bool = False


def parse_tolerance(text: str) -> Tolerance:
    """
    "95/90" or "95 %/90 %": 95 % of parts, 90 % confidence.

    Raises:
        FileError: It is not two percentages between 0 and 100.
    """
    try:
        content, confidence = (float(one.strip().removesuffix("%")) / 100 for one in text.split("/"))
    except ValueError:
        content = confidence = 0.0
    if not (0 < content < 1 and 0 < confidence < 1):
        message = f"is {text!r}; expected coverage/confidence in per cent, both above 0 and below 100, e.g. 95/90"
        raise FileError([Mistake("command line", None, "--tolerance", message)])
    return Tolerance(content, confidence)


def parse_against(text: str) -> Against:
    """
    FILE, or FILE@CONDITION,...: a temperature (+25 or 25 degC), a supply voltage (6 V) or "unpowered", a channel's name.

    Raises:
        FileError: A condition twice, or empty.
    """
    name, at, stated = text.rpartition("@")
    # A name may hold an @ itself.
    if not at or Path(text).exists():
        return Against(Path(text))
    found: dict[str, float | str] = {}
    for item in stated.split(","):
        key, value = _condition(item.strip())
        if key in found or value == "":
            message = f"{text!r}: {item.strip()!r} {'states ' + key + ' once more' if key in found else 'is empty'}; " \
                      "expected FILE@+25,A: temperature, channel, supply voltage (6 V), each once at most"  # fmt: skip
            raise FileError([Mistake("command line", None, "--against", message)])
        found[key] = value
    return Against(Path(name), **found)  # type: ignore[arg-type]  # names and types as _condition gives them


def _condition(item: str) -> tuple[str, float | str]:
    supply, temperature = _SUPPLY.fullmatch(item), _TEMPERATURE.fullmatch(item)
    if supply:
        return "supply_v", float(supply[1])
    # No channel has so long a name.
    if item == supply_text(UNPOWERED_V):
        return "supply_v", UNPOWERED_V
    if temperature:
        return "temperature_degc", float(temperature[1])
    return "channel", item


def check_against(against: Sequence[Against]) -> None:
    """
    Raises:
        FileError: One file twice for the same condition.
    """
    twice = next((one for place, one in enumerate(against) if one in against[:place]), None)
    if twice is not None:
        message = f"{twice.path} is given twice for the same condition; give it once"
        raise FileError([Mistake("command line", None, "--against", message)])


def check_occasions(occasions: Sequence[str], count: int) -> None:
    """
    Raises:
        FileError: Not one for each record.
    """
    if occasions and len(occasions) != count:
        message = f"given {len(occasions)} times for {count} records; give one for each record, in their order, or none"
        raise FileError([Mistake("command line", None, "--occasion", message)])
