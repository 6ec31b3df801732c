"""The plots' content, through the numbers in the page: what a reader sees is what the record holds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchkit.record import Record
from benchkit.report import write_report
from benchkit.report.digits import MINUS
from tests.report.page import Page
from tests.report.sample import SEQUENCE, Sample, many_points, write_sample


@pytest.fixture(scope="session")
def points(record: Path) -> pd.DataFrame:
    with Record.open(record) as opened:
        return opened.points()


def test_gain_against_drive_is_the_record_bit_for_bit(page: Page, points: pd.DataFrame) -> None:
    for choice, frequency_hz in (("13.75 GHz", 13.75e9), ("14.5 GHz", 14.5e9)):
        traces = page.traces("Gain against drive", choice)
        assert list(traces) == [f"{t} °C, channel {c}" for t in ("-30", "+25", "+70") for c in "AB"]
        for name, (x, y, _) in traces.items():
            rows = points[
                (points["frequency_hz"] == frequency_hz)
                & (points["temperature_set_degc"] == float(name.split()[0]))
                & (points["channel"] == name[-1])
            ]
            np.testing.assert_array_equal(x, rows["input_dbm"])
            np.testing.assert_array_equal(y, rows["gain_db"])


def test_no_point_is_left_out_and_the_page_stays_small(tmp_path: Path) -> None:
    """A night of 30,000 points: thinned in silence, a plot would lie; the page must still go by mail."""
    record = write_sample(tmp_path / "many.h5", Sample(sequence_text=many_points(SEQUENCE, 166), is_summed_up=False))
    out = write_report([record], tmp_path / "many.html")
    page = Page(out)
    plot = page.plot("Output power against drive")
    drawn = sum(page.array(y).size for one in plot["sets"] for _, _, y in one["traces"])
    assert len(plot["sets"]) == 166
    assert drawn == 166 * 30 * 6
    assert out.stat().st_size < 8e6


def test_a_torn_ladder_is_not_drawn_as_a_curve(report) -> None:
    """Point 125 stands in the fifth ladder's middle: its curve would look like a device that stops."""
    page = report(Sample(stop_at_point=5 + 4 * 30 + 10, outcome="interrupted", message="interrupted by SIGINT"))
    assert [one["name"] for one in page.plot("Gain against drive")["sets"]] == [
        "13.75 GHz", "13.875 GHz", "14 GHz", "14.125 GHz",
    ]  # fmt: skip


def test_temperature_is_told_by_colour_and_channel_by_dash_and_mark(page: Page) -> None:
    """In black and white the channels still differ; blue is cold and vermillion is hot for every eye."""
    looks = {name: look for name, (_, _, look) in page.traces("Small-signal gain").items()}
    colours = {look["line"]["color"] for look in looks.values()}
    assert colours == {"#0072B2", "#000000", "#D55E00"}
    assert looks["-30 °C, channel A"]["line"]["color"] == "#0072B2"
    assert looks["+70 °C, channel B"]["line"]["color"] == "#D55E00"
    for temperature in ("-30", "+25", "+70"):
        a, b = (looks[f"{temperature} °C, channel {channel}"] for channel in "AB")
        assert a["line"]["dash"] != b["line"]["dash"]
        assert a["marker"]["symbol"] != b["marker"]["symbol"]


def test_every_axis_names_its_quantity_and_unit(page: Page, rehearsed_page: Page) -> None:
    for plot in page.plots() + rehearsed_page.plots():
        for axis in ("xaxis", "yaxis"):
            assert plot["layout"][axis]["title"]["text"].endswith(")"), plot["layout"]["title"]


def test_the_detector_is_drawn_on_a_log_axis_that_holds_all_its_points(page: Page) -> None:
    plot = page.plot("Detector voltage")
    assert plot["layout"]["yaxis"]["type"] == "log"
    low, high = plot["layout"]["yaxis"]["range"]
    values = np.concatenate([page.array(y) for one in plot["sets"] for _, _, y in one["traces"]])
    assert low < np.log10(values.min()) < np.log10(values.max()) < high


def test_one_scale_holds_for_all_choices(page: Page) -> None:
    """Flicking through the frequencies shows what changes, not what was scaled."""
    plot = page.plot("Output power against drive")
    values = np.concatenate([page.array(y) for one in plot["sets"] for _, _, y in one["traces"]])
    low, high = plot["layout"]["yaxis"]["range"]
    assert low < values.min() < values.max() < high


def test_the_course_shows_chamber_case_bias_and_events(page: Page, record: Path) -> None:
    with Record.open(record) as opened:
        chamber, events = opened.chamber(), opened.events()
    traces = page.traces("Course of the run")
    np.testing.assert_array_equal(traces["device case"][1], chamber["case_degc"])
    np.testing.assert_array_equal(traces["chamber air"][0], 1e3 * chamber["time_s"])
    assert traces["info"][0].size == (events["severity"] == "info").sum()
    assert traces["warning"][0].size == 1
    bars = [name for name in traces if name.startswith("channel A on")]
    assert bars == [f"channel A on, 6 V, {t} °C" for t in ("+25", f"{MINUS}30", "+70")]


def test_a_drain_that_was_never_seen_off_is_drawn_as_open(report) -> None:
    page = report(Sample(stop_at_point=40, is_sealed=False))
    bar = page.traces("Course of the run")["channel A on, 6 V, +25 °C"]
    assert bar[2]["marker"]["opacity"] == [0, 1]


def test_units_share_a_frame_and_differ_by_their_mark(report) -> None:
    page = report(*(Sample(unit=unit, stop_at_point=130) for unit in ("L07-W1-01", "L07-W2-05", "L07-W3-01")))
    traces = page.traces("Small-signal gain")
    assert len(traces) == 3
    assert len({look["marker"]["symbol"] for _, _, look in traces.values()}) == 3
    assert {style["filter"]["record"] for style in page.plot("Small-signal gain")["styles"]} == {
        "L07-W1-01", "L07-W2-05", "L07-W3-01",
    }  # fmt: skip
    assert "by unit" in page.section("In detail").text


def test_a_rehearsed_night_has_every_plot_of_a_data_sheet(rehearsed_page: Page) -> None:
    titles = [plot["layout"]["title"]["text"] for plot in rehearsed_page.plots()]
    for title in (
        "Gate voltage at quiescent current", "Small-signal gain over frequency", "Output power at 1 dB compression over",
        "Gain against drive", "Output power against drive", "Power-added efficiency against output", "Detector voltage against",
        "Course of the run",
    ):  # fmt: skip
        assert any(one.startswith(title) for one in titles), title
    assert not any("Nothing to plot" in one.text for one in rehearsed_page.root.all("figure"))
