"""The truth lies inside what is reported: two draws of the benchmark, so that a lost contribution shows; and its page."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.benchmarks.coverage import PROMISE, Inside, one_draw
from tests.benchmarks.coverage_draw import Setting
from tests.benchmarks.coverage_page import write_page
from tests.benchmarks.coverage_table import summed_up, table
from tests.report.page import Page


def test_the_truth_lies_inside_the_reported_uncertainty(tmp_path: Path) -> None:
    """
    python -m tests.benchmarks.coverage does many more; the draws are seeded, so this cannot fail by chance. One is of channel B
    by TRL, the other of channel A by SOLT with fixtures taken off.
    """
    assert [Setting.of(seed) for seed in (11, 12)] == [Setting("B", "TRL", False), Setting("A", "SOLT", True)]
    numbers = [number for seed in (11, 12) for number in one_draw(seed, tmp_path / str(seed))]

    outside = [one for one in numbers if not abs(one.value - one.true) <= one.expanded]

    assert len(numbers) > 340
    # Nor is one parameter wrong by itself among the many that are right: none is further out than 1.5 U.
    assert max((abs(one.value - one.true) / one.expanded, one.name) for one in numbers) < (1.5, "")
    assert len(outside) / len(numbers) <= 1 - PROMISE, outside
    names = {one.name.split(" ")[0] for one in numbers}
    assert names == {
        "path_loss",
        "path_loss_rise",
        "thru_gain",
        "quiescent_current",
        "gate_voltage",
        "s21_minimum",
        "s21_flatness",
        "s21_slope",
        "input_return_loss",
        "output_return_loss",
        "input_vswr",
        "output_vswr",
        "reverse_isolation",
        "stability_k",
        "stability_mu",
        "maximum_gain",
        "group_delay",
        "group_delay_variation",
        "unpowered_input_return_loss",
        "unpowered_output_return_loss",
        "unpowered_input_vswr",
        "unpowered_output_vswr",
        "unpowered_forward_isolation",
        "unpowered_reverse_isolation",
        "unpowered_reciprocity",
        "unpowered_passivity",
        "small_signal_gain",
        "gain_expansion",
        "p1db",
        "input_p1db",
        "drain_current_p1db",
        "output_at_compression",
        "saturated_power",
        "drain_efficiency_p1db",
        "pae_p1db",
        "drain_efficiency_back_off",
        "pae_back_off",
        "detector_slope",
        "detector_intercept",
        "detector_temperature_error",
        "harmonic_2",
        "harmonic_2_relative",
        "harmonic_3",
        "harmonic_3_relative",
        "spurious_margin",
        "spurious_level",
        "spurious_relative",
        "oip5",
        "oip5_lower",
        "oip5_upper",
        "oip5_worst",
        "im5_slope_lower",
        "im5_slope_upper",
        "oip3",
        "oip3_lower",
        "oip3_upper",
        "oip3_worst",
        "oip3_above_p1db",
        "im3_slope_lower",
        "im3_slope_upper",
    }


def test_the_interval_of_a_share_is_the_published_one() -> None:
    """C. J. Clopper and E. S. Pearson, Biometrika 26 (1934) 404; of 10 (from memory) 0 up to 0.3085, 5 from 0.187 to 0.813."""
    numbers = [Inside("compression", "p1db", float(place >= 5), 0.0, 0.5) for place in range(10)]
    numbers += [Inside("compression", "gain", 1.0, 0.0, 0.5)] * 10

    half, none = summed_up(numbers).rows

    assert (half.low, half.high) == pytest.approx((0.187, 0.813), abs=5e-4)
    assert (none.low, none.high) == pytest.approx((0.0, 0.3085), abs=5e-5)
    assert half.share == 0.5


def test_the_page_tells_every_parameter_and_which_are_below_the_demand(tmp_path: Path) -> None:
    numbers = [Inside("compression", "p1db", 0.0, 0.0, 0.5)] * 99
    numbers.append(Inside("s_parameters", "reverse_isolation SOLT", 1.0, 0.0, 0.5))
    numbers.append(Inside("quiescent", "gate_voltage", 0.1, 0.0, 0.0))
    found = summed_up(numbers)
    page = Page(write_page(found, [1, 2, 3, 7], tmp_path / "page.html"))

    text = page.section("Parameter by parameter").text
    assert "Below 93 %: reverse_isolation SOLT (0.0 %), gate_voltage (0.0 %)" in text
    assert "98.0 % of all numbers" in page.text
    assert "1 to 3, 7" in page.text
    assert "no U" in text
    shares, *_ = page.traces("How often the truth lies inside U")["inside U"]
    assert sorted(shares) == [0.0, 0.0, 100.0]
    assert any("overall" in line for line in table(found))
    with pytest.raises(FileExistsError):
        write_page(found, [1], tmp_path / "page.html")
