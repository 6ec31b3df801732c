"""Numbers, verdicts and reasons of the data sheet against the record they come from."""

from __future__ import annotations

from pathlib import Path
from statistics import median

import pytest

from benchkit.record import Record
from benchkit.report.digits import MINUS
from benchkit.results.result import Result
from tests.report.page import Page
from tests.report.sample import SEQUENCE, Sample


def results(record: Path, parameter: str) -> list[Result]:
    with Record.open(record) as opened:
        return [one for one in opened.results() if one.parameter == parameter]


@pytest.mark.parametrize(("parameter", "label"), [("small_signal_gain", "Small-signal gain"), ("p1db", "Output power at 1 dB")])
def test_lowest_typical_and_highest_are_those_of_the_record(page: Page, record: Path, parameter: str, label: str) -> None:
    found = results(record, parameter)
    at_room = [one.value for one in found if one.condition.temperature_degc == 25]
    numbers = [cell.text.split()[0] for cell in page.row("Data sheet", label).all("td", "number")]
    values = [one.value for one in found]
    assert numbers[:3] == [f"{min(values):.2f}", f"{median(at_room):.2f}", f"{max(values):.2f}"]
    assert numbers[4] == str(len(found))


def test_the_uncertainty_is_the_largest_of_the_row_with_two_digits(page: Page, record: Path) -> None:
    largest = max(one.expanded_uncertainty for one in results(record, "p1db"))
    cell = page.row("Data sheet", "Output power at 1 dB").all("td", "number")[3]
    # Of a level in dBm the uncertainty is in dB.
    assert cell.text == f"± {largest:.2f} dB"


def test_currents_are_printed_in_milliamperes(page: Page) -> None:
    row = page.row("Data sheet", "Quiescent drain current")
    assert "mA" in row.text
    assert "215 to 225 mA" in row.text


def test_a_number_that_cannot_be_had_is_absent_with_its_reason(page: Page) -> None:
    """42 reasons that differ in their figures only are one reason with a range."""
    row = page.row("Data sheet", "Saturated output power")
    assert "absent: saturation not reached: output still rises by 0." in row.text
    assert "(42 results)" in row.text
    assert row.text.count("saturation not reached") == 1


def test_a_failure_is_told_first_with_the_worst_value_and_its_uncertainty(report) -> None:
    page = report(Sample(gain_db=22.0))
    key = page.section("Key results")
    assert key.all("p", "overall")[0].text.startswith("✗ fail")
    line = next(one.text for one in key.all("li") if "Small-signal gain, expected at least 22 dB" in one.text)
    # Gain falls by 0.028 dB/K, and by 0.144 dB at the upper band edge: at +70 °C 22.0 - 1.26 - 0.144 = 20.596.
    assert "worst 20.60 dB ± 0.52 dB at +70 °C, channel A, 14.5 GHz" in line


def test_all_verdicts_of_the_record_are_counted(page: Page, record: Path) -> None:
    with Record.open(record) as opened:
        passes = sum(one.outcome == "pass" and one.expectation == 1 for one in opened.verdicts())
    assert f"{passes} of {passes}" in page.row("Data sheet", "Small-signal gain").text


def test_an_expectation_that_nothing_answers_is_listed_as_not_judged(report) -> None:
    sequence = SEQUENCE.replace("pae_back_off, qualifier: 6 dB back-off, min: 7 %", "pae_p1db, qualifier: nowhere, min: 7 %")
    page = report(Sample(sequence_text=sequence))
    assert "pae_p1db at least 7 %" in page.section("Data sheet").text
    assert "no result answers it" in page.section("Data sheet").text
    assert "not judged" in page.section("Key results").all("p", "overall")[0].text


def test_a_part_measured_in_part_does_not_pass_as_a_whole(report) -> None:
    """Half a night may hold only the easy half."""
    page = report(Sample(stop_at_point=500, outcome="limit", message="drain current: 0.49 A is above the limit 0.48 A"))
    key = page.section("Key results")
    assert key.all("p", "overall")[0].text.startswith("… incomplete")
    assert "Only 19 of 48 ladders planned were finished." in key.text
    assert "Stopped at a limit: drain current: 0.49 A is above the limit 0.48 A. Made safe in" in page.text
    assert "1 torn and not used" in page.text


def test_a_record_that_is_not_sealed_is_shown_as_far_as_it_goes(report) -> None:
    page = report(Sample(stop_at_point=500, is_sealed=False))
    assert "the record is not sealed" in page.text
    assert "interim" in page.text
    assert page.row("Data sheet", "Small-signal gain").all("td", "number")[4].text == "16"
    assert "not sealed: no digest yet" in page.section("Software and digests").text


def test_a_record_without_one_finished_ladder_still_has_a_page(report) -> None:
    page = report(Sample(stop_at_point=0, outcome="bench", message="rf_source: no reply"))
    assert "No results: no drive ladder was finished." in page.text
    assert "Stopped because the bench failed: rf_source: no reply." in page.text


def test_a_sequence_of_another_time_leaves_the_numbers_standing(report) -> None:
    """A kind of measurement may be gone when a record is opened years later; its results are in the record."""
    page = report(Sample(stored_sequence_text=SEQUENCE.replace("kind: compression", "kind: gone")))
    assert page.row("Data sheet", "Small-signal gain").all("td", "number")[4].text == "42"
    assert "cannot be read by this benchkit" in page.section("Plots").text
    assert "gone" in page.section("Plots").text
    assert "no limits are listed" in page.section("Cautions").text


def test_detail_tables_spread_the_same_numbers_by_temperature_and_channel(page: Page, record: Path) -> None:
    found = results(record, "p1db")
    tables = {one.all("summary")[0].text: one for one in page.section("In detail").all("details")}
    assert list(tables) == [
        "quiescent: by temperature", "power sweep: by temperature", "quiescent: by channel", "power sweep: by channel",
        "power sweep: by frequency",
    ]  # fmt: skip
    row = next(
        one for one in tables["power sweep: by temperature"].all("tr") if one.all("th")[0].text.startswith("Output power at 1 dB")
    )
    expected = [
        median(one.value for one in found if one.condition.temperature_degc == temperature) for temperature in (-30, 25, 70)
    ]
    assert [cell.text.split()[0] for cell in row.all("td", "number")[:3]] == [f"{value:.2f}" for value in expected]


def test_cautions_come_before_any_number(page: Page) -> None:
    """Whoever sets the part up again reads from the top."""
    text = page.text
    cautions = page.section("Cautions").text
    for words in (
        "6.5 V",
        "480 mA",
        "12 dBm",
        "Electrostatic discharge",
        f"gate to pinch-off ({MINUS}2.5 V), drain, RF",
        "site's safety rules",
    ):
        assert words in cautions
    assert text.index("Cautions") < text.index("Key results") < text.index("Data sheet", text.index("Key results"))


def test_path_losses_and_uncertainties_are_those_the_engine_used(page: Page, record: Path) -> None:
    with Record.open(record) as opened:
        points = opened.points()
    used = points[(points["channel"] == "B") & (points["frequency_hz"] == 14.5e9)].iloc[0]
    losses = next(one for one in page.section("How it was measured").all("table") if "Path losses" in one.all("caption")[0].text)
    row = next(one for one in losses.all("tr") if one.text.startswith("B 14.5 GHz"))
    printed = [float(cell.text.split()[0]) for cell in row.all("td", "number")[1:]]
    assert printed == pytest.approx([used["input_loss_db"], used["output_loss_db"]], abs=0.005001)
    contributions = page.section("How it was measured").all("table")[-1].text
    # 0.4 dB limit of error, rectangular: 0.4 / sqrt(3) = 0.23 dB (JCGM 100, 4.3.7).
    assert "rf_source: level accuracy ± 0.4 dB rectangular, ÷ √3 0.23 dB" in contributions


def test_instruments_are_named_with_calibration_and_missing_protection(page: Page) -> None:
    text = page.section("Instruments").text
    assert "rf_source source generic S1" in text
    assert "2025-11-03" in text
    assert "none stated" in text
    assert "rf_source has no settable level limit" in text
