"""The rules the page is made by, one at a time."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchkit.report.conventions import harmonised
from benchkit.report.digits import MINUS, celsius, decimals_for, difference_unit, duration, fixed, plain, scale_for
from benchkit.report.drawing import safe_json
from benchkit.report.palette import OKABE_ITO, temperature_colours
from benchkit.report.reasons import gathered
from benchkit.report.source import lot_and_wafer
from benchkit.results.result import Result


@given(st.floats(min_value=1e-7, max_value=1e6))
def test_an_uncertainty_is_printed_with_two_significant_digits(expanded: float) -> None:
    decimals = decimals_for(expanded)
    printed = Decimal(fixed(expanded, decimals))
    digits = str(printed.scaleb(decimals).to_integral_value())
    assert len(digits) == 2
    assert abs(float(printed) - expanded) <= 0.5000001 * 10.0**-decimals


@given(st.floats(min_value=-1e6, max_value=1e6), st.integers(min_value=-3, max_value=9))
def test_a_value_is_rounded_to_the_same_place_and_no_further(value: float, decimals: int) -> None:
    text = fixed(value, decimals)
    # In decimal: at 262144 a float's own steps are a good part of a unit of the ninth place.
    assert abs(Decimal(text.replace(MINUS, "-")) - Decimal(repr(value))) <= Decimal("0.5").scaleb(-decimals)
    assert "-" not in text
    assert len(text.partition(".")[2]) == max(0, decimals)


def test_digits_beside_the_rounding_edge() -> None:
    assert fixed(0.0996, decimals_for(0.0996)) == "0.10"
    assert fixed(1234.0, decimals_for(123.0)) == "1230"
    assert fixed(-0.001, 2) == "0.00"


def test_units_are_those_a_data_sheet_uses() -> None:
    assert scale_for("A", [0.22, math.nan]).unit == "mA"
    assert scale_for("A", [1.2]).unit == "A"
    assert scale_for("V", [-0.75]).unit == "V"
    assert scale_for("s", [300e-12]).unit == "ns"
    assert difference_unit("dBm") == "dB"
    assert difference_unit("%") == "pp"
    assert scale_for("dB", [-20.0], "harmonic_2_relative").unit == "dBc"
    assert difference_unit("dBc") == scale_for("dB", [20.0], "small_signal_gain").unit == "dB"
    assert celsius(-30.0) == f"{MINUS}30 °C"
    assert celsius(None) == "not set"
    assert plain(-2.5) == f"{MINUS}2.5"
    assert (plain(288.7, 2), plain(0.00012, 2), plain(1.5e9, 2)) == ("290", "0.00012", "1.5e+09")
    assert duration(5520) == "1 h 32 min"


def test_colours_go_from_blue_over_black_to_vermillion() -> None:
    colours = temperature_colours([70, -30, 25, 85, -55])
    assert colours[-55] == OKABE_ITO["blue"]
    assert colours[-30] == OKABE_ITO["sky blue"]
    assert colours[25] == OKABE_ITO["black"]
    assert colours[70] == OKABE_ITO["orange"]
    assert colours[85] == OKABE_ITO["vermillion"]
    assert temperature_colours([-30, 70]) == {-30: OKABE_ITO["blue"], 70: OKABE_ITO["vermillion"]}
    assert temperature_colours([]) == {}


def test_no_two_temperatures_share_a_colour() -> None:
    colours = temperature_colours(range(-60, 130, 5))
    assert len(set(colours.values())) == len(colours)


def test_reasons_that_differ_in_figures_only_are_one() -> None:
    reasons = [("rises by 0.12 dB at +29.4 dBm", 3), ("rises by 0.31 dB at +28.3 dBm", 2), ("in the noise", 7)]
    assert gathered(reasons) == [("in the noise", 7), ("rises by 0.12 to 0.31 dB at +28.3 to +29.4 dBm", 5)]


def result(convention: str, value: float = 1.0, parameter: str = "p1db") -> Result:
    return Result(parameter, value, "dBm", "device output", convention=convention, measurement="sweep")


def conventions(*by_record: list[Result]) -> list[str]:
    found = harmonised({str(place): results for place, results in enumerate(by_record)})
    return [one.convention for results in found.values() for one in results]


def test_definitions_that_differ_stay_apart() -> None:
    """A P1dB counted from three levels and one counted from five are two parameters."""
    both = ["mean of the 3 lowest levels", "mean of the 5 lowest levels"]
    assert conventions([result(both[0])] * 2, [result(both[1])] * 2) == [both[0]] * 2 + [both[1]] * 2
    # Which of the two an absent one would have been is not known.
    assert conventions([result(both[0]), result(both[1]), result("", math.nan)]) == [*both, ""]


def test_an_absent_result_takes_the_definition_of_those_that_are_there() -> None:
    assert conventions([result("highest output"), result("something else", math.nan)]) == ["highest output"] * 2


def test_json_cannot_end_the_script_it_stands_in() -> None:
    text = safe_json({"name": "</script><!--<script>&"})
    assert "<" not in text
    assert ">" not in text
    with pytest.raises(ValueError, match="JSON"):
        safe_json([math.nan])


def test_lot_and_wafer_are_read_from_a_serial_number_that_has_them() -> None:
    assert lot_and_wafer("L07-W1-01") == ("L07", "W1")
    assert lot_and_wafer("0815") == ("", "")
