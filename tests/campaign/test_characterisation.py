"""Promise: one sequence fills every line of an amplifier's data sheet, each number with its uncertainty or the reason why not."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

from benchkit import campaign
from benchkit.campaign import CampaignOutcome
from benchkit.campaign.pacing import expected_stages
from benchkit.plan.files import load_both
from benchkit.record import Record
from benchkit.report import write_report
from benchkit.report.options import ReportOptions
from tests.report.page import Page
from tests.scenario import ROOT

CHARACTERISATION = ROOT / "sequences" / "kd14_characterisation.yaml"

# What may be absent, or known without an uncertainty, and why that is right.
MAY_BE_ABSENT = {"undriven_peak", "saturated_power"}  # nothing stands out of the noise; the source's range ends before saturation
WITHOUT_UNCERTAINTY = {"calibration_residual", "im3_attenuator_change"}  # both are checks, held against a bound


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> CampaignOutcome:
    sequence, bench = load_both(CHARACTERISATION, None)
    return campaign.rehearse(sequence, bench, tmp_path_factory.mktemp("night") / "kd14.h5", unit="L07-W1-01")


@pytest.fixture(scope="module")
def results(night: CampaignOutcome) -> pd.DataFrame:
    with Record.open(night.record) as record:
        return record.results_table()


def test_it_ends_as_planned_and_nothing_was_done_to_the_part(night: CampaignOutcome) -> None:
    """Every kind in one night, both channels, three temperatures: the ledger of the twin stays empty."""
    assert (night.outcome, night.message) == ("done", "plan done")
    assert night.record.with_suffix(".ledger.jsonl").read_text(encoding="utf-8") == ""
    assert not [verdict for verdict in night.verdicts if verdict.outcome == "fail"]


@pytest.mark.parametrize(
    "parameter",
    [
        "quiescent_current", "small_signal_gain", "p1db", "saturated_power", "pae_p1db", "pae_back_off", "detector_slope",
        "detector_temperature_error", "input_return_loss", "stability_mu", "s21_flatness", "group_delay", "oip3",
        "oip3_above_p1db", "harmonic_2_relative", "undriven_margin",
    ],
)  # fmt: skip
def test_every_line_of_the_data_sheet_is_filled(results: pd.DataFrame, parameter: str) -> None:
    """On both channels and at every temperature: a line that is silently missing is found by the customer."""
    rows = results[(results["parameter"] == parameter) & results["value"].notna()]
    temperatures = {-30.0, 70.0} if parameter == "detector_temperature_error" else {-30.0, 25.0, 70.0}
    assert set(zip(rows["channel"], rows["temperature_degc"], strict=True)) == {
        (channel, temperature) for channel in "AB" for temperature in temperatures
    }


def test_a_number_has_its_uncertainty_and_no_number_has_its_reason(results: pd.DataFrame) -> None:
    absent = results[results["value"].isna()]
    assert set(absent["parameter"]) <= MAY_BE_ABSENT
    assert (absent["reason"] != "").all()
    bare = results[results["value"].notna() & results["expanded_uncertainty"].isna()]
    assert set(bare["parameter"]) <= WITHOUT_UNCERTAINTY
    assert (bare["uncertainty_reason"] != "").all()


def test_the_paths_are_verified_before_the_part_is_connected_and_the_bench_is_watched(night: CampaignOutcome) -> None:
    """A data sheet whose every number is off by a loose connector looks like any other."""
    with Record.open(night.record) as record:
        events, bias, sentinel = record.events(), record.bias(), record.stream("sentinel")
    assert events.loc[events["kind"] == "verified", "time_s"].max() < bias["time_s"].min()
    assert set(zip(sentinel["channel"], sentinel["temperature_set_degc"], strict=True)) == {
        (channel, temperature) for channel in "AB" for temperature in (-30.0, 25.0, 70.0)
    }
    gains = [one for one in night.results if one.parameter == "s21_minimum"]
    assert all(any(line.name.startswith("repeatability") for line in one.budget) for one in gains)


def test_estimate_of_the_whole_night_is_within_ten_percent(night: CampaignOutcome) -> None:
    """All kinds in it: a night is planned by it."""
    with Record.open(night.record) as record:
        expected_s = sum(stage.time_s for stage in expected_stages(record.texts))
        took_s = float(record.events()["time_s"].max()) - float(record.attributes["started_s"])
    assert expected_s == pytest.approx(took_s, rel=0.10)


def test_its_report_shows_every_kind(night: CampaignOutcome, tmp_path: Path) -> None:
    page = write_report([night.record], tmp_path / "night.html").read_text(encoding="utf-8")
    for title in (
        "Gain against drive", "Tones and products against drive", "Output intercept point of order 3 against drive", "Harmonics",
        "Channel against channel", "Power-added efficiency", "Detector", "Gain of a thru",
        "The sentinel held: no result is marked",
    ):  # fmt: skip
        assert title in page, title


def test_the_page_one_sends_along_has_the_part_first_and_says_what_it_leaves_out(night: CampaignOutcome, tmp_path: Path) -> None:
    """A customer reads figures of the part; how far they can be trusted stands apart; what proves them is named by its digest."""
    page = Page(write_report([night.record], tmp_path / "short.html", ReportOptions(abridged=True)))
    titles = [one.text for one in page.root.all("h2")]
    sheet, bench = page.section("Data sheet").text, page.section("Checks of the bench").text
    with Record.open(night.record) as record:
        digest = record.digest

    assert "Output power at 1 dB compression" in sheet
    assert "Gain of a thru" not in sheet
    assert "residual" not in sheet
    # Of a worst case in band also where in the band it is.
    assert re.search(r"nearest the limit: [^,]*, channel [AB] \(mean of 3 repeats; at 1[34]\.\d+ GHz\)", sheet)
    assert "Gain of a thru" in bench
    assert "Gain of a thru" not in page.section("Channel against channel").text
    assert not {"In detail", "Events", "Uncertainty budgets", "Exact texts"} & set(titles)
    assert {"Cautions", "Test conditions", "Plots", "How it was measured", "Instruments"} <= set(titles)
    assert "Abridged" in page.text
    assert digest in page.section("Software and digests").text
