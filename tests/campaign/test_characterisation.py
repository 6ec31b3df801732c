"""Promise: one sequence fills every line of an amplifier's data sheet, each number with its uncertainty or the reason why not."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchkit import campaign
from benchkit.bench.load import load_bench
from benchkit.campaign import CampaignOutcome
from benchkit.campaign.pacing import expected_stages
from benchkit.measurements.network_rows import s_from
from benchkit.plan.files import load_both
from benchkit.record import Record
from benchkit.report import write_report
from benchkit.report.options import ReportOptions
from tests.report.page import Page
from tests.scenario import ROOT

BENCH_IN_FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
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


@pytest.fixture(scope="module")
def short(night: CampaignOutcome, tmp_path_factory: pytest.TempPathFactory) -> Page:
    """The abridged report."""
    return Page(write_report([night.record], tmp_path_factory.mktemp("short") / "short.html", ReportOptions(abridged=True)))


def test_the_page_one_sends_along_has_the_part_first_and_says_what_it_leaves_out(night: CampaignOutcome, short: Page) -> None:
    """A customer reads figures of the part; how far they can be trusted stands apart; what proves them is named by its digest."""
    page = short
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
    # What U of the S-parameters rests on can be traced, the kit's own figures among it.
    assert "calibration kit: reflections of the standards" in page.section("How it was measured").text
    assert digest in page.section("Software and digests").text


def test_repeats_are_drawn_as_their_mean(night: CampaignOutcome, short: Page) -> None:
    """Eighteen lines of three repeats hide the six that a reader looks for."""
    with Record.open(night.record) as record:
        network = record.stream("network")
    own = network[(network["measurement"] == 4) & (network["channel"] == "A") & (network["temperature_set_degc"] == 25.0)]
    repeats = [s_from(sweep)[:, 1, 0] for _, sweep in own.groupby("ladder")]
    traces = short.traces("S-parameters: |S21| over frequency")

    assert len(repeats) == 3
    assert len(traces) == 6
    (drawn,) = (y for name, (_, y, _) in traces.items() if name.startswith("+25 °C, channel A"))
    assert np.allclose(drawn, 20 * np.log10(np.abs(np.mean(repeats, axis=0))), atol=1e-9)
    assert "mean of 3 repeats" in next(one.text for one in short.root.all("figcaption") if "mean of" in one.text)


def test_each_path_has_its_own_column_of_losses(short: Page) -> None:
    """The spectrum analyser's path is 7 dB longer than the power meter's: in one column they were a number of neither."""
    bench = load_bench(BENCH_IN_FULL)
    table = short.section("How it was measured").all("table", "losses")[0]
    headings = [one.text for one in table.all("thead")[0].all("th")]
    assert headings == [
        "Channel", "Frequency", "Source to device input (dB)", "Second source to device input (dB)",
        "Device output to power meter (dB)", "Device output to spectrum analyser (dB)",
    ]  # fmt: skip
    rows = {(row.all("th")[0].text, cells[0].text): [cell.text for cell in cells[1:]]
            for row in table.all("tbody")[0].all("tr") for cells in [row.all("td")]}  # fmt: skip
    for channel, name in (("A", "output_a"), ("B", "output_b")):
        path = bench.paths[name]
        told = rows[channel, "14 GHz"]
        assert told[2] == f"{path.loss_db(14e9):.2f} ± {path.uncertainty_db(14e9):.2f}"
        assert (told[1], told[3]) == ("", "")
    analyser, second = bench.paths["analyser_a"], bench.paths["second_a"]
    tones = rows["A", "14.375 GHz"]
    assert float(tones[1].split()[0]) == pytest.approx(second.loss_db(14.3775e9), abs=0.0051)
    assert float(tones[3].split()[0]) == pytest.approx(analyser.loss_db(14.375e9), abs=0.02)
    harmonic = rows["A", "28.25 GHz"]
    assert harmonic[:3] == ["", "", ""]
    assert float(harmonic[3].split()[-1]) == pytest.approx(analyser.uncertainty_db(28.25e9), abs=0.0051)
    alike = [cell for cells in rows.values() for cell in cells if " to " in cell]
    assert all(cell.split()[0] != cell.split()[2] for cell in alike)


def test_the_uncertainty_of_lines_and_s_parameters_can_be_traced_to_the_bench_file(short: Page) -> None:
    table = short.section("How it was measured").all("table", "contributions")[0]
    rows = {
        (row.all("th")[0].text, row.all("td")[0].text): [cell.text for cell in row.all("td")[1:]] for row in table.all("tr")[1:]
    }
    assert rows["Level of a line", "spectrum_analyser: accuracy"][0] == "± 0.6 dB"
    assert rows["Difference of two lines near in frequency", "spectrum_analyser: relative accuracy"][2] == "0.087 dB"
    assert rows["Level of a line, channel A", "path analyser_a: stated U, k = 2"][0].startswith("U = ")
    assert rows["Input power, second tone", "second_source: level accuracy"][0] == "± 0.4 dB"
    assert rows["S-parameter, corrected", "network_analyser: linearity"][0] == "± 0.02 dB"
    assert any(what.startswith("S-parameter, corrected") and "residual directivity" in how for what, how in rows)


def test_an_abridged_report_has_only_the_channels_differences_that_count(
    night: CampaignOutcome, short: Page, tmp_path: Path
) -> None:
    """And says how many it leaves out: rows and left-out ones are those of the full report together."""
    full = Page(write_report([night.record], tmp_path / "full.html"))
    section = short.section("Channel against channel")
    kept = [row.text for row in section.all("tbody")[0].all("tr")]
    everything = [row.text for row in full.section("Channel against channel").all("tbody")[0].all("tr")]
    within, unknown = map(int, re.search(r"(\d+) parameters nowhere differ by more; of (\d+) no U", section.text).groups())

    assert set(kept) < set(everything)
    assert any(text.startswith("|S21|") for text in kept)
    assert len(kept) + within + unknown == len(everything)


def test_test_conditions_of_two_tones_say_what_a_level_is_of(short: Page) -> None:
    facts = {one.all("dt")[0].text: one.all("dd")[0].text for one in short.section("Test conditions").all("div") if one.all("dt")}
    assert "per tone, in steps of 2 dB, tones 5 MHz apart" in facts["Two tones"]


def test_a_key_result_has_its_expectation_and_where_it_is_typical(short: Page) -> None:
    tile = next(one.text for one in short.root.all("li") if one.text.startswith("Small-signal gain") and "typical" in one.text)
    assert "typical at +25 °C" in tile
    assert "expected at least 22 dB" in tile


def test_a_definition_stands_once_and_names_all_that_it_defines(short: Page) -> None:
    body = short.root.all("table", "definitions")[0].all("tbody")[0]
    rows = [[cell.text for cell in (row.all("th") + row.all("td"))] for row in body.all("tr")]
    texts = [text for _, text in rows]
    assert len(texts) == len(set(texts))
    (names,) = (names for names, text in rows if text.startswith("drain supply only, output back-off from P1dB"))
    assert "Power-added efficiency in back-off (3 dB back-off; 6 dB back-off; 10 dB back-off)" in names


def test_levels_relative_to_the_carrier_are_in_dbc_and_stay_db_in_the_record(results: pd.DataFrame, short: Page) -> None:
    cells = [cell.text for cell in short.row("Data sheet", "Second harmonic relative").all("td")]
    assert "dBc" in cells
    assert set(results.loc[results["parameter"] == "harmonic_2_relative", "unit"]) == {"dB"}
    efficiency = [one.text for one in short.row("Data sheet", "Power-added efficiency at").all("td")]
    assert any(cell.endswith(" pp") for cell in efficiency)
