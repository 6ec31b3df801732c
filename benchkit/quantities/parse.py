"""
Text with a unit to a float, strictly: one number, one unit, nothing that could be an expression.

Short spellings are decided by the table in units.py; the decimal point is moved in the text, not by a multiplication,
so that `320 mA` and `0.32 A` are the same float. Spelled-out names go to pint, one name at a time, never a formula.
"""

from __future__ import annotations

import difflib
import math
import re
from decimal import Decimal
from functools import cache, lru_cache
from typing import Any

from benchkit.errors import QuantityError
from benchkit.quantities.units import UNITS, Unit, kinds_of

__all__ = ["parse_quantity", "quantity_pattern"]

NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_SPLIT = re.compile(rf"[ \t]*({NUMBER})[ \t]*(.*?)[ \t]*", re.DOTALL)
_LONGEST = 80  # characters; nobody writes a longer quantity, and messages quote it


def parse_quantity(text: str, unit: str) -> float:
    """
    The value of `text` in `unit`.

    Args:
        text: A number and a unit, e.g. "14.125 GHz".
        unit: One of Hz, V, A, s, degC, K, K/min, dB, dBm, W, ohm, %, 1 (a number without a unit); any other unit must stand
            in the text exactly so.
            "degC" takes kelvins as absolute, "K" is a difference and takes no degC; "dBm" takes watts and dBW too,
            "W" and "dB" take no level: a power is never read for a ratio.

    Raises:
        QuantityError: Not such a quantity; says what was expected, with an example.
    """
    return _parse(text, unit)


@lru_cache(maxsize=4096)
def _parse(text: str, name: str) -> float:
    unit = UNITS.get(name) or Unit(name, f"a number in {name}", f"1 {name}", exponents={name: 0})
    match = _SPLIT.fullmatch(text) if len(text) <= _LONGEST else None
    if match is None:
        raise QuantityError(f"{_quoted(text)} {_why_no_number(text)}; expected {unit.noun} such as {unit.example}")
    number, spelling = match.groups()
    value = _value(number, spelling, unit)
    if value is None:
        raise QuantityError(f"{_quoted(text)} {_why_not(spelling, unit)}; expected {unit.noun} such as {unit.example}")
    if not math.isfinite(value) or (value == 0.0 and spelling in unit.exponents and Decimal(number) != 0):
        raise QuantityError(f"{_quoted(text)} is too large or too small; expected {unit.noun} such as {unit.example}")
    if unit.lowest is not None and value < unit.lowest:
        raise QuantityError(f"{_quoted(text)} is below absolute zero ({unit.lowest} {unit.name})")
    return value


def _value(number: str, spelling: str, unit: Unit) -> float | None:
    """None: no such unit, or none that has a value in it."""
    if (exponent := unit.exponents.get(spelling)) is not None:
        return _shifted(number, exponent)
    if (factor := unit.factors.get(spelling)) is not None:
        return float(number) * factor
    if (offset_db := unit.levels.get(spelling)) is not None:
        return float(number) + offset_db
    if (exponent := unit.powers.get(spelling)) is not None:
        power_w = _shifted(number, exponent)
        return 10.0 * math.log10(power_w) + 30.0 if power_w > 0 else None
    if (exponent := unit.offset.get(spelling)) is not None:
        return float(Decimal(number).scaleb(exponent) - Decimal("273.15"))
    if unit.long_names and re.fullmatch(unit.long_names, spelling):
        return _pint_value(float(number), spelling, unit)
    return None


def _shifted(number: str, exponent: int) -> float:
    """`number` times ten to the `exponent`, rounded once."""
    mantissa, _, power = number.lower().partition("e")
    return float(f"{mantissa}e{int(power or 0) + exponent}")


def _pint_value(value: float, spelling: str, unit: Unit) -> float:
    registry = _registry()
    found = registry.parse_units(spelling)
    return float(registry.Quantity(value, found).to(unit.long_root).magnitude)


@cache
def _registry() -> Any:
    # 0.3 s and more: most files never come here.
    import pint

    return pint.UnitRegistry(on_redefinition="raise")


def _quoted(text: str) -> str:
    shown = text if len(text) <= _LONGEST else text[: _LONGEST - 3] + "..."
    return repr(shown)


def _why_no_number(text: str) -> str:
    stripped = text.strip()
    if len(text) > _LONGEST:
        return f"is longer than {_LONGEST} characters"
    if not stripped:
        return "is empty"
    if re.match(r"[+-]?(nan|inf)", stripped, re.IGNORECASE):
        return "is not a finite number"
    if "\u2212" in stripped or "\u2013" in stripped:
        return "has a dash where the minus sign - is due"
    return "does not start with a plain number"


def _why_not(spelling: str, unit: Unit) -> str:
    if not spelling:
        return "has no unit"
    if re.match(",[0-9]", spelling):
        return "has a comma where the decimal point is due"
    if spelling[0] in "0123456789._+-*/^(":
        return "is not one plain number with a unit"
    if spelling in unit.powers:
        return "is no power above zero, which has no level"
    kind = kinds_of().get(spelling)
    if kind is not None and kind != unit.noun:
        return f"is {kind}"
    folded = [known for known in unit.spellings if known.lower() == spelling.lower()]
    if folded:
        return f"has the unit {spelling!r}, and capitals matter (did you mean {' or '.join(folded)}?)"
    near = difflib.get_close_matches(spelling, unit.spellings, 1)
    hint = f" (did you mean {near[0]}?)" if near and len(spelling) <= 12 else ""
    return f"has the unit {spelling!r}, which is not known here{hint}"


@cache
def quantity_pattern(unit: str) -> str:
    """A regular expression (as JSON Schema uses) that a text of this unit matches."""
    known = UNITS[unit]
    spellings = [re.escape(spelling) for spelling in known.spellings]
    if known.long_names:
        spellings.append(known.long_names)
    return rf"^[ \t]*{NUMBER}[ \t]*(?:{'|'.join(spellings)})[ \t]*$"
