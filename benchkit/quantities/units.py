"""
The units a file may use: for each base unit its spellings, a noun and an example for messages.

A spelling's factor is a power of ten (kept as an exponent, so that `320 mA` is exactly the float 0.32) or a number.
Spelled-out names (`gigahertz`) are decided by pint, which is imported only then.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache

__all__ = ["UNITS", "Unit", "kinds_of"]

_MICRO = ("u", "\u00b5", "\u03bc")  # the letter, the micro sign, the Greek letter
_OHM = ("ohm", "Ohm", "\u03a9", "\u2126")
_DEGREE = ("degC", "\u00b0C", "\u2103")
_LONG_PREFIXES = "(?:pico|nano|micro|milli|kilo|mega|giga|tera)?"


@dataclass(frozen=True)
class Unit:
    """
    One base unit.

    Attributes:
        name: As in `parse_quantity(text, name)`.
        noun: With its article, e.g. "a frequency".
        example: As a file would have it.
        exponents: Spelling to power of ten.
        factors: Spelling to factor that is no power of ten.
        levels: Spelling of a level to its offset in decibels.
        powers: Spelling of a power to its exponent, where a power is taken for a level.
        offset: Spelling of an absolute temperature in kelvins to its exponent.
        long_names: Pattern of the spelled-out names that pint decides.
        long_root: What pint must find them to be.
        prefixes: Exponent to spelling, for format_quantity.
        lowest: Smallest possible value.
    """

    name: str
    noun: str
    example: str
    exponents: dict[str, int] = field(default_factory=dict)
    factors: dict[str, float] = field(default_factory=dict)
    levels: dict[str, float] = field(default_factory=dict)
    powers: dict[str, int] = field(default_factory=dict)
    offset: dict[str, int] = field(default_factory=dict)
    long_names: str = ""
    long_root: str = ""
    prefixes: dict[int, str] = field(default_factory=dict)
    lowest: float | None = None

    @property
    def spellings(self) -> tuple[str, ...]:
        """Every short spelling, longest first (as a pattern needs them)."""
        found = [*self.exponents, *self.factors, *self.levels, *self.powers, *self.offset]
        return tuple(sorted(found, key=lambda spelling: (-len(spelling), spelling)))


def _prefixed(symbols: tuple[str, ...], prefixes: str) -> dict[str, int]:
    exponent = {"p": -12, "n": -9, "m": -3, "k": 3, "M": 6, "G": 9, "T": 12}
    found = dict.fromkeys(symbols, 0)
    for symbol in symbols:
        for prefix in prefixes:
            if prefix == "u":
                found.update({micro + symbol: -6 for micro in _MICRO})
            else:
                found[prefix + symbol] = exponent[prefix]
    return found


def _shown(symbol: str, prefixes: str) -> dict[int, str]:
    exponent = {"p": -12, "n": -9, "u": -6, "m": -3, "k": 3, "M": 6, "G": 9, "T": 12}
    return {0: symbol} | {exponent[prefix]: prefix + symbol for prefix in prefixes}


UNITS: dict[str, Unit] = {
    unit.name: unit
    for unit in (
        Unit(
            "Hz", "a frequency", "14.125 GHz",
            exponents=_prefixed(("Hz",), "mkMGT"), prefixes=_shown("Hz", "mkMGT"),
            long_names=_LONG_PREFIXES + "hertz", long_root="hertz",
        ),
        Unit(
            "V", "a voltage", "6 V",
            exponents=_prefixed(("V",), "numk"), prefixes=_shown("V", "numk"),
            long_names=_LONG_PREFIXES + "volts?", long_root="volt",
        ),
        Unit(
            "A", "a current", "320 mA",
            exponents=_prefixed(("A",), "pnumk"), prefixes=_shown("A", "pnumk"),
            long_names=_LONG_PREFIXES + "amperes?", long_root="ampere",
        ),
        Unit(
            "s", "a time", "3 min",
            exponents=_prefixed(("s",), "pnum"), prefixes=_shown("s", "pnum"), factors={"min": 60.0, "h": 3600.0},
            long_names=_LONG_PREFIXES + "seconds?|minutes?|hours?", long_root="second",
        ),
        Unit(
            "degC", "a temperature", "-30 degC",
            exponents=dict.fromkeys(_DEGREE, 0), offset={"K": 0, "mK": -3}, prefixes={0: "degC"}, lowest=-273.15,
        ),
        Unit(
            "K", "a temperature difference", "0.5 K",
            exponents=_prefixed(("K",), "um"), prefixes=_shown("K", "um"),
            long_names=_LONG_PREFIXES + "kelvins?", long_root="kelvin",
        ),
        Unit(
            "K/min", "a rate of temperature", "3 K/min",
            exponents={"K/min": 0, "mK/min": -3}, factors={"K/s": 60.0}, prefixes={0: "K/min", -3: "mK/min"},
        ),
        Unit(
            "A/min", "a rate of current", "100 uA/min",
            exponents={spelling + "/min": power for spelling, power in _prefixed(("A",), "num").items()},
            prefixes={power: spelling + "/min" for power, spelling in _shown("A", "num").items()},
        ),
        Unit("dB/min", "a rate of level", "0.01 dB/min", exponents={"dB/min": 0}, prefixes={0: "dB/min"}),
        Unit("dB", "a level difference", "1.5 dB", exponents={"dB": 0}, prefixes={0: "dB"}),
        Unit(
            "dBm", "a level", "-20 dBm",
            exponents={"dBm": 0}, levels={"dBW": 30.0}, powers=_prefixed(("W",), "pnumk"), prefixes={0: "dBm"},
        ),
        Unit(
            "W", "a power", "500 mW",
            exponents=_prefixed(("W",), "pnumk"), prefixes=_shown("W", "pnumk"),
            long_names=_LONG_PREFIXES + "watts?", long_root="watt",
        ),
        Unit(
            "ohm", "a resistance", "100 ohm",
            exponents=_prefixed(_OHM, "umkM"), prefixes=_shown("ohm", "umkM"),
            long_names=_LONG_PREFIXES + "ohms?", long_root="ohm",
        ),
        Unit("%", "a percentage", "0.05 %", exponents={"%": 0}, prefixes={0: "%"}),
        Unit("1", "a plain number without a unit", "1.2", exponents={"": 0}, prefixes={0: ""}),
    )
}  # fmt: skip


@cache
def kinds_of() -> dict[str, str]:
    """Every short spelling to the noun of what it is, for "is a voltage" in messages."""
    kinds: dict[str, str] = {}
    for name in ("Hz", "V", "A", "s", "W", "ohm", "%", "dB", "dBm", "K/min", "K", "degC", "A/min", "dB/min"):
        unit = UNITS[name]
        for spelling in (*unit.exponents, *unit.factors, *unit.levels):
            kinds.setdefault(spelling, unit.noun)
    return kinds
