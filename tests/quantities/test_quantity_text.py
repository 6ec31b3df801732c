"""Quantities as text: one number, one unit, and an error that says what would be right."""

from __future__ import annotations

import math
import subprocess
import sys

import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.errors import QuantityError
from benchkit.quantities import UNITS, format_quantity, parse_quantity

# What pint calls the base units of a file; what has no entry is a level or a plain ratio.
PINT_NAMES = {"Hz": "hertz", "V": "volt", "A": "ampere", "s": "second", "K": "kelvin", "W": "watt", "ohm": "ohm"}
LONG_PREFIXES = ("", "milli", "micro", "kilo", "mega", "giga")


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    return pint.UnitRegistry()


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("14.125 GHz", "Hz", 14.125e9),
        ("320 mA", "A", 0.32),
        ("70mA", "A", 0.07),
        ("4.1 mA", "A", 0.0041),
        ("4.1 GHz", "Hz", 4.1e9),
        ("1 \u00b5A", "A", 1e-6),
        ("1 \u03bcA", "A", 1e-6),
        ("3 min", "s", 180.0),
        ("1.5 h", "s", 5400.0),
        ("20 ms", "s", 0.02),
        ("-30 degC", "degC", -30.0),
        ("-30 \u00b0C", "degC", -30.0),
        ("300 K", "degC", 26.85),
        ("500 mK", "K", 0.5),
        ("3 K/min", "K/min", 3.0),
        ("0.1 K/s", "K/min", 6.0),
        ("1.5 dB", "dB", 1.5),
        ("-20 dBm", "dBm", -20.0),
        ("-3 dBW", "dBm", 27.0),
        ("10 mW", "dBm", 10.0),
        ("500 mW", "W", 0.5),
        ("4 mohm", "ohm", 0.004),
        ("100 \u03a9", "ohm", 100.0),
        ("0.05 %", "%", 0.05),
        ("5%", "%", 5.0),
        ("1e3 MHz", "Hz", 1e9),
        ("+.5 V", "V", 0.5),
        ("0.45 decades per decade", "decades per decade", 0.45),
    ],
)
def test_a_quantity_is_read_in_its_base_unit(text: str, unit: str, value: float) -> None:
    """Exactly the float that Python reads from the same digits: 4.1 mA is 0.0041 A, not 0.0040999999999999995 A."""
    assert parse_quantity(text, unit) == value


@pytest.mark.parametrize(
    ("text", "unit", "says"),
    [
        ("14.125", "Hz", "has no unit; expected a frequency such as 14.125 GHz"),
        ("14 V", "Hz", "is a voltage; expected a frequency"),
        ("5 degC", "K", "is a temperature; expected a temperature difference such as 0.5 K"),
        ("5 dBm", "dB", "is a level; expected a level difference"),
        ("5 dB", "dBm", "is a level difference; expected a level"),
        ("3 dBm", "W", "is a level; expected a power such as 500 mW"),
        ("0 W", "dBm", "has no level"),
        ("14 ghz", "Hz", "capitals matter (did you mean GHz?)"),
        ("5 mhz", "Hz", "did you mean MHz or mHz?"),
        ("5 GHx", "Hz", "not known here (did you mean GHz?)"),
        ("1,5 GHz", "Hz", "comma where the decimal point is due"),
        ("\u221230 degC", "degC", "dash where the minus sign"),
        ("1_000 Hz", "Hz", "not one plain number"),
        ("2*3 Hz", "Hz", "not one plain number"),
        ("9**9**9 Hz", "Hz", "not one plain number"),
        ("nan Hz", "Hz", "not a finite number"),
        ("-inf dBm", "dBm", "not a finite number"),
        ("1e999 Hz", "Hz", "too large or too small"),
        ("1e-999 V", "V", "too large or too small"),
        ("-274 degC", "degC", "below absolute zero"),
        ("", "V", "is empty"),
        ("volt", "V", "does not start with a plain number"),
        ("1" * 500 + " V", "V", "longer than"),
        ("\u0661 V", "V", "does not start with a plain number"),
        ("5 %", "dB", "is a percentage"),
        ("1 V 2", "V", "not known here"),
    ],
)
def test_a_text_that_is_no_such_quantity_says_what_is_expected(text: str, unit: str, says: str) -> None:
    """The author reads the message beside the file, not this code."""
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text, unit)

    assert says in str(caught.value)
    assert len(str(caught.value)) < 250


@settings(deadline=None)  # never assert a time: the computer may be busy
@given(st.sampled_from(sorted(PINT_NAMES)), st.data())
def test_every_spelling_means_what_pint_says_it_means(registry: pint.UnitRegistry, unit: str, data: st.DataObject) -> None:
    """The table of spellings is ours; a general library of units must agree with each line of it."""
    spelling = data.draw(st.sampled_from(UNITS[unit].spellings))
    number = data.draw(st.decimals(-1000, 1000, places=3))

    ours = parse_quantity(f"{number} {spelling}", unit)

    pints_word = spelling.replace("Ohm", "ohm").replace("\u2126", "\u03a9")
    theirs = registry.Quantity(float(number), pints_word).to(PINT_NAMES[unit]).magnitude
    assert ours == pytest.approx(theirs, rel=1e-14, abs=1e-300)


@settings(deadline=None)
@given(st.sampled_from(("Hz", "V", "A", "s", "W", "ohm")), st.sampled_from(LONG_PREFIXES), st.integers(-999, 999))
def test_spelled_out_names_are_the_short_ones(unit: str, prefix: str, number: int) -> None:
    """`14 gigahertz` is decided by pint, `14 GHz` by the table: nobody may be able to tell."""
    exponent = {"": 0, "milli": -3, "micro": -6, "kilo": 3, "mega": 6, "giga": 9}[prefix]

    assert parse_quantity(f"{number} {prefix}{PINT_NAMES[unit]}", unit) == pytest.approx(number * 10.0**exponent, rel=1e-14)


@settings(deadline=None)
@given(st.sampled_from(sorted(UNITS)), st.floats(allow_nan=False, allow_infinity=False, min_value=-1e15, max_value=1e15))
def test_what_is_written_is_read_back(unit: str, value: float) -> None:
    """Messages quote quantities that an author may paste into a file."""
    lowest = UNITS[unit].lowest
    if (lowest is not None and value < lowest) or 0 < abs(value) < 1e-280:
        return

    assert parse_quantity(format_quantity(value, unit, 17), unit) == pytest.approx(value, rel=1e-15)
    assert parse_quantity(format_quantity(value, unit), unit) == pytest.approx(value, rel=5.1e-6)


@pytest.mark.parametrize(
    ("value", "unit", "digits", "text"),
    [
        (14.125e9, "Hz", 6, "14.125 GHz"),
        (999.9999999e6, "Hz", 6, "1 GHz"),
        (0.32, "A", 6, "320 mA"),
        (500e6, "Hz", 1, "500 MHz"),
        (180.0, "s", 6, "180 s"),
        (-20.0, "dBm", 6, "-20 dBm"),
        (0.001, "degC", 6, "0.001 degC"),
        (0.0, "V", 6, "0 V"),
        (1e-15, "A", 6, "0.001 pA"),
        (math.nan, "V", 6, "nan V"),
        (2.0, "decades per decade", 3, "2 decades per decade"),
    ],
)
def test_a_quantity_is_written_as_a_person_would(value: float, unit: str, digits: int, text: str) -> None:
    """No exponent, no needless zeros, a prefix where the trade uses one."""
    assert format_quantity(value, unit, digits) == text


def test_pint_is_imported_only_for_spelled_out_names() -> None:
    """Starting must stay quick: pint alone takes longer than everything else that reads a file."""
    code = (
        "import sys, benchkit.files.types, benchkit.quantities as q\n"
        "q.parse_quantity('14 GHz', 'Hz'); assert 'pint' not in sys.modules and 'numpy' not in sys.modules\n"
        "q.parse_quantity('14 gigahertz', 'Hz'); assert 'pint' in sys.modules\n"
    )

    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_what_has_no_unit_is_a_plain_number() -> None:
    """K and mu have none: a unit written there belongs to something else."""
    assert parse_quantity("1.05", "1") == 1.05
    with pytest.raises(QuantityError, match="plain number without a unit"):
        parse_quantity("1 dB", "1")
