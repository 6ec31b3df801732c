"""The page of `compare` and `repeat`: a table of every row, both records in one frame, the difference between its limits."""

from __future__ import annotations

import csv
from pathlib import Path

import h5py
import numpy as np
import pytest
from typer.testing import CliRunner

from benchkit.campaign.compare import Comparison, compare_files
from benchkit.campaign.earlier import EARLIER_COLUMNS
from benchkit.cli.main import app
from benchkit.errors import FileError
from tests.report.many import UNITS
from tests.report.page import Page
from tests.report.sample import Sample, write_sample
from tests.scenario import SHORT

WORST_IN_BAND = ("s21_minimum", "s21_flatness", "input_return_loss", "reverse_isolation", "stability_mu", "group_delay")


@pytest.fixture(scope="module")
def found(both: list[Path]) -> Comparison:
    return compare_files(both[0], both[1])


@pytest.fixture(scope="module")
def agreement(both: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Page:
    """As the command line writes it."""
    out = tmp_path_factory.mktemp("agreement") / "agreement.html"
    ran = CliRunner().invoke(app, ["compare", str(both[0]), str(both[1]), "--out", str(out)], catch_exceptions=False)
    assert ran.exit_code == 1
    return Page(out)


@pytest.mark.parametrize("parameter", WORST_IN_BAND)
def test_worst_cases_are_compared_wherever_in_the_band_each_was_found(found: Comparison, parameter: str) -> None:
    """A shifted response has its worst case elsewhere: that it is then not compared would hide just what is looked for."""
    assert {row.condition.channel for row in found.rows if row.parameter == parameter} == {"A", "B"}
    assert not [one for one in (*found.only_first, *found.only_second) if one.parameter == parameter]


def test_every_row_is_in_the_table_and_what_disagrees_says_so(agreement: Page, found: Comparison) -> None:
    rows = agreement.section("Parameter by parameter, worst first").all("tr")[1:]
    assert len(rows) == len(found.rows)
    assert ["disagrees" in row.text for row in rows] == [row.disagrees for row in found.rows]


def test_both_are_drawn_in_one_frame_and_told_apart(agreement: Page, found: Comparison) -> None:
    curves = agreement.traces("Output power at 1 dB compression: both")
    rows = sorted(
        (row for row in found.rows if row.parameter == "p1db" and row.condition.channel == "A"),
        key=lambda row: row.condition.frequency_hz or 0.0,
    )
    assert len(curves) == 4  # two records of two channels
    for which, unit, values in (("first", UNITS[0], [r.first for r in rows]), ("second", UNITS[1], [r.second for r in rows])):
        name = next(name for name in curves if name.startswith(f"{which}: {unit}") and "channel A" in name)
        x, y, _ = curves[name]
        assert np.allclose(x, [(row.condition.frequency_hz or 0.0) / 1e9 for row in rows])
        assert np.array_equal(y, values)
    assert len({look["marker"]["symbol"] for _, _, look in curves.values()}) == 2


def test_a_difference_stands_between_the_limits_that_it_is_judged_by(agreement: Page, found: Comparison) -> None:
    """Whoever looks sees at once what the number says: inside is agreement."""
    curves = agreement.traces("Output power at 1 dB compression: first less second", "+25 °C, channel A, 6 V")
    rows = sorted(
        (row for row in found.rows if row.parameter == "p1db" and row.condition.channel == "A"),
        key=lambda row: row.condition.frequency_hz or 0.0,
    )
    _, difference, _ = curves["first less second"]
    _, limits, _ = next(one for name, one in curves.items() if name.startswith("limits"))
    upper, lower = limits[: len(rows)], limits[len(rows) + 1 :]
    assert np.isnan(limits[len(rows)])
    assert np.allclose(upper, [row.difference_expanded for row in rows])
    assert np.array_equal(lower, -upper)
    assert [bool(abs(d) > u) for d, u in zip(difference, upper, strict=True)] == [row.disagrees for row in rows]


def test_measured_curves_of_both_are_there_too(agreement: Page) -> None:
    names = list(agreement.traces("Gain against drive", "14.125 GHz"))
    assert any(name.startswith("first: ") for name in names)
    assert any(name.startswith("second: ") for name in names)


def test_an_earlier_table_is_dashed(both: list[Path], tmp_path: Path) -> None:
    """Nobody takes it for a reading of ours."""
    table, out = tmp_path / "earlier.csv", tmp_path / "page.html"
    with table.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, EARLIER_COLUMNS, restval="")
        writer.writeheader()
        for hz in (13.75e9, 14.125e9, 14.5e9):
            writer.writerow({"parameter": "p1db", "channel": "A", "frequency_hz": hz, "value": 27, "unit": "dBm",
                             "expanded_uncertainty": 0.3})  # fmt: skip
    CliRunner().invoke(app, ["compare", str(both[0]), str(table), "--out", str(out)], catch_exceptions=False)
    curves = Page(out).traces("Output power at 1 dB compression: both")
    _, y, look = next(one for name, one in curves.items() if name.startswith("second"))
    assert np.array_equal(y, [27.0] * 3)
    assert look["line"]["dash"] == "10px,6px"


def test_records_of_two_parts_do_not_agree_by_their_numbers(tmp_path: Path) -> None:
    first = write_sample(tmp_path / "first.h5")
    second = write_sample(tmp_path / "second.h5", Sample(part="KD15"))
    with pytest.raises(FileError, match=r"is of part KD15, and .* of part KD14"):
        compare_files(first, second)


def test_a_record_that_was_changed_agrees_with_nothing(tmp_path: Path) -> None:
    """One reading a decibel up: its results were summed up before, and still look well."""
    first, second, out = write_sample(tmp_path / "first.h5"), write_sample(tmp_path / "second.h5"), tmp_path / "page.html"
    with h5py.File(second, "r+") as h5:
        h5["points/output_dbm"][100] += 1.0
    ran = CliRunner().invoke(app, ["compare", str(first), str(second), "--out", str(out)], catch_exceptions=False)
    assert ran.exit_code == 1
    assert "Not to be trusted" in ran.output
    assert "points/output_dbm" in ran.output
    assert "Not to be trusted" in Page(out).text


def test_a_record_beside_itself_is_drawn_once(tmp_path: Path) -> None:
    record, out = write_sample(tmp_path / "first.h5"), tmp_path / "page.html"
    CliRunner().invoke(app, ["compare", str(record), str(record), "--out", str(out)], catch_exceptions=False)
    assert "named twice" in Page(out).section("What both measured").text


def test_repeat_writes_the_same_page(tmp_path: Path) -> None:
    first, out = tmp_path / "first.h5", tmp_path / "page.html"
    assert CliRunner().invoke(app, ["rehearse", str(SHORT), "--out", str(first)]).exit_code == 0
    asked = ["repeat", str(first), "--out", str(tmp_path / "second.h5"), "--page", str(out)]
    assert CliRunner().invoke(app, asked, catch_exceptions=False).exit_code == 0
    page = Page(out)
    assert "all" in page.text
    assert "Agree" in page.root.all("h1")[0].text
    assert len(page.traces("Gain against drive", "14.125 GHz")) == 2
