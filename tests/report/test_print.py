"""What a print of the page needs: tables that a reader reads, and lines that are told though no legend has room for them."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from benchkit.report import write_report
from benchkit.report.drawing import ArrayPool, draw
from benchkit.report.key import DASH_ARRAYS, OUTLINES, key_of
from benchkit.report.options import ReportOptions, parse_tolerance
from benchkit.report.palette import DASHES, MARKS, temperature_colours
from benchkit.report.style import Series, Style
from benchkit.results.figure import Axis, Figure, Trace
from tests.report.many import die
from tests.report.page import Page
from tests.report.sample import Sample

RECORDS = ("L07-W1-01", "L07-W1-02", "L07-W1-03")
STYLE = Style(temperature_colours([-30, 25, 70]), ("A", "B"), RECORDS)
LINE = np.array([1.0, 2.0])


def drawn(series: list[Series], style: Style = STYLE) -> bool:
    """Whether the plot leaves its legend to the key."""
    figure = Figure("gain", "Gain", Axis("x"), Axis("y"))
    return draw(figure, {"": series}, style, ArrayPool(), note="").is_keyed


def lines(*, name: str = "", more: str = "") -> list[Series]:
    return [
        Series(Trace(f"{name}{degc:g} {channel}{more}", LINE, LINE, degc, channel), record)
        for record in RECORDS for degc in (-30.0, 25.0, 70.0) for channel in ("A", "B")
    ]  # fmt: skip


def test_eighteen_lines_are_left_to_the_key_and_a_few_are_not() -> None:
    assert drawn(lines())
    assert not drawn(lines()[:3])


def test_lines_that_the_key_cannot_tell_apart_keep_their_legend() -> None:
    """Lower and upper product of one condition have colour, dash and mark in common."""
    assert not drawn([*lines(name="lower"), *lines(name="upper")])
    assert not drawn([*lines(), Series(Trace("imported", LINE, LINE), "", 0)])


def test_repeats_of_one_line_are_told_by_the_key_as_the_line_is() -> None:
    assert drawn([*lines(), *lines(more=", repeat 2"), *lines(more=", repeat 3")])


def test_the_key_shows_what_the_plots_draw() -> None:
    groups = {group.title: group.items for group in key_of(STYLE)}
    assert [one.name for one in groups["Temperature"]] == ["\N{MINUS SIGN}30 °C", "+25 °C", "+70 °C"]
    for degc, item in zip((-30.0, 25.0, 70.0), groups["Temperature"], strict=True):
        assert item.colour == STYLE.of(Series(Trace("", LINE, LINE, degc, "A"), RECORDS[0]))["line"]["color"]
    assert [one.dash_array for one in groups["Channel"]] == ["", DASH_ARRAYS["dash"]]
    assert [one.outline for one in groups["Unit"]] == [OUTLINES[mark][0] for mark in MARKS[:3]]
    assert set(DASH_ARRAYS) == set(DASHES)
    assert set(OUTLINES) == set(MARKS)


def test_with_one_of_each_there_is_nothing_to_tell() -> None:
    assert key_of(Style(temperature_colours([25]), ("A",), ("L07-W1-01",))) == []


def test_a_population_has_a_row_for_each_parameter_and_keeps_its_conditions_to_the_page(report: Callable[..., Page]) -> None:
    """Three units of forty conditions filled half of the pages with numbers that nobody reads on paper."""
    page = report(*(Sample(unit=unit, gain_db=24 + place / 10) for place, unit in enumerate(RECORDS)))
    section = page.section("Population")
    summary = section.all("table")[0]
    row = next(one for one in summary.all("tr") if "Small-signal gain" in one.text)
    cells = [cell.text for cell in row.all("td")]
    assert cells[1] == "3"
    assert float(cells[2].split()[0]) < float(cells[3].split()[0])
    assert [cell.text for cell in summary.all("th")[:6]] == ["Parameter", "Conditions", "n", "Lowest", "Highest", "Unit"]
    assert "deviation" not in summary.text, "three units"
    details = section.all("details")
    assert len(details) == len(summary.all("tr")) - 1
    assert all("not-printed" in one.attributes["class"] for one in details)


@pytest.fixture(scope="module")
def with_interval(tmp_path_factory: pytest.TempPathFactory) -> Page:
    folder = tmp_path_factory.mktemp("interval")
    dice = [die(folder, unit) for unit in RECORDS]
    return Page(write_report(dice, folder / "dice.html", ReportOptions(parse_tolerance("95/90"))))


def test_an_interval_that_was_asked_for_is_printed(with_interval: Page) -> None:
    gain = next(one for one in with_interval.section("Population").all("details") if "Small-signal gain" in one.text)
    assert "k = " in gain.text
    assert "not-printed" not in gain.attributes["class"]
