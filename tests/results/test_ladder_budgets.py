"""Budgets of a drive ladder against the ladder itself, drawn again and again with its errors: the linear law holds."""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np
import pandas as pd
import pytest

from benchkit.measurements.detector_results import detector_results
from benchkit.measurements.ladder_results import LadderConventions, ladder_results
from tests.results.ladders import Device

CONVENTIONS = LadderConventions((1.0, 2.0), (3.0, 6.0), "lowest levels", 3, 0.1)
U = {
    "u_source_db": 0.2, "u_input_path_db": 0.06, "u_input_mismatch_db": 0.03, "u_meter_db": 0.07, "u_output_path_db": 0.05,
    "u_output_mismatch_db": 0.04, "u_meter_resolution_db": 0.0003, "u_meter_noise_db": 0.004, "u_meter_linearity_db": 0.012,
    "u_source_linearity_db": 0.008,
}  # fmt: skip
NOISE_DB = 0.004


def rows(generator: np.random.Generator | None) -> pd.DataFrame:
    """One ladder as a record has it; with a generator, wrong by errors drawn from U."""
    levels = np.arange(-12.0, 10.0)
    drawn = defaultdict(float) if generator is None else {name: generator.normal(0, u) for name, u in U.items()}
    true_in = levels + drawn["u_source_db"] + drawn["u_input_path_db"] + drawn["u_input_mismatch_db"]
    # Linearity grows along the ladder: from the lowest levels to the top by its limit.
    along = (levels - levels[0]) / (levels[-1] - levels[0])
    true_in = true_in + drawn["u_source_linearity_db"] * along
    true_out = Device(saturated_dbm=29.0, gain_db=24.0).output_dbm(true_in)
    read = true_out + drawn["u_meter_db"] + drawn["u_output_path_db"] + drawn["u_output_mismatch_db"]
    read = read + drawn["u_meter_linearity_db"] * along
    if generator is not None:
        read = read + generator.normal(0, NOISE_DB, levels.size)
    current = 0.22 + 0.12 * 10 ** ((true_out - 29.0) / 5)
    total = {"u_input_db": ("u_source_db", "u_input_path_db", "u_input_mismatch_db"),
             "u_output_db": ("u_meter_db", "u_output_path_db", "u_output_mismatch_db")}  # fmt: skip
    detector = 0.02 * 10 ** (0.06 * true_out)
    frame = {
        "ladder": 0, "temperature_set_degc": 25.0, "frequency_hz": 14e9, "channel": "A", "supply_voltage_set_v": 6.0,
        "input_dbm": levels, "output_dbm": read, "drain_voltage_v": 6.0, "drain_current_a": current, "u_drain_voltage_v": 1e-9,
        "u_drain_current_a": 1e-9, "detector_v": detector, "reference_v": 0.0, "u_detector_v": 1e-9, "u_meter_zero_db": 0.0, **U,
        **{name: math.hypot(*(U[part] for part in parts)) for name, parts in total.items()},
    }  # fmt: skip
    return pd.DataFrame(frame)


def results(frame: pd.DataFrame) -> dict[tuple[str, str], object]:
    every = ladder_results(frame, CONVENTIONS, "power sweep") + detector_results(frame, "power sweep")
    return {(one.parameter, one.qualifier): one for one in every if not one.is_absent}


@pytest.fixture(scope="module")
def drawn() -> dict[tuple[str, str], np.ndarray]:
    generator = np.random.default_rng(4)
    found = defaultdict(list)
    for _ in range(250):
        for key, one in results(rows(generator)).items():
            found[key].append(one.value)
    return {key: np.array(values) for key, values in found.items()}


def test_the_linear_law_holds_for_every_figure_of_a_ladder(drawn):
    """
    250 ladders, each wrong in its own way. The standard deviation of 250 numbers is known to 4.5 %. Some lines are wider than
    need be: linearity is taken in full from the reference to the crossing, mismatch and source cancel where they can.
    """
    for key, one in results(rows(None)).items():
        ratio = one.expanded_uncertainty / 2 / drawn[key].std(ddof=1)
        assert ratio > 0.87, (key, ratio)
        if key[0] in ("small_signal_gain", "p1db", "input_p1db", "output_at_compression", "drain_efficiency_p1db", "pae_p1db",
                      "saturated_power", "detector_intercept"):  # fmt: skip
            assert ratio < 1.2, (key, ratio)


def test_every_number_carries_a_budget_that_adds_up():
    for one in results(rows(None)).values():
        assert one.budget
        assert 2 * math.hypot(*(line.amount for line in one.budget)) == pytest.approx(one.expanded_uncertainty)


def test_a_constant_error_cancels_where_only_a_difference_counts():
    """Source and input path are no part of output P1dB, meter and output path none of input P1dB."""
    found = results(rows(None))

    def names(key: str) -> set[str]:
        return {line.name for line in found[key, ""].budget}

    assert not names("p1db") & {"source level accuracy", "input path loss", "mismatch at the device's input"}
    assert not names("input_p1db") & {"power meter accuracy", "output path loss", "mismatch at the device's output"}
    assert not any("path" in name or "accuracy" in name for name in names("gain_expansion") | names("detector_slope"))


def test_a_record_from_before_the_parts_keeps_its_totals():
    """Level uncertainties as one line each: what was not stored is not made up."""
    old = rows(None).drop(columns=[*U, "u_meter_zero_db"])

    gain = results(old)["small_signal_gain", ""]

    assert {line.name for line in gain.budget} >= {"input level", "output level"}
    assert gain.expanded_uncertainty == pytest.approx(2 * math.hypot(*(U[name] for name in list(U)[:6])), rel=0.01)
