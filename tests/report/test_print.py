"""What a print of the page needs: tables that a reader reads, and lines that are told though no legend has room for them."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from benchkit.report import write_report
from benchkit.report.drawing import ArrayPool, draw, few_of
from benchkit.report.key import DASH_ARRAYS, OUTLINES, key_of
from benchkit.report.legend import legend_of
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


def test_lines_of_one_condition_are_told_by_what_they_are() -> None:
    """Tone, products and noise of 18 conditions: a legend of 72 lines was cut by a scroll bar, and IM3 looked like IM5."""
    parts = (("tone", "lines"), ("IM3", "lines+markers"), ("IM5", "lines+markers"), ("noise", "markers"))
    series = [
        replace(one, trace=replace(one.trace, name=f"{one.trace.name}, {part}", part=part, mode=mode))
        for one in lines() for part, mode in parts
    ]  # fmt: skip
    drawing = draw(Figure("levels", "Levels", Axis("x"), Axis("y")), {"": series}, STYLE, ArrayPool(), note="")
    *page_key, own = legend_of(drawing, key_of(STYLE))

    assert drawing.is_keyed
    assert page_key == key_of(STYLE)
    assert [one.name for one in own.items] == [part for part, _ in parts]
    assert len({replace(one, name="") for one in own.items}) == 4, "no two look alike"
    assert (own.items[-1].width, own.items[0].outline) == (0.0, "")


def test_a_line_of_no_condition_is_named_below_the_key() -> None:
    """The level that counts as an oscillation, the bound of a drift."""
    bound = Series(Trace("bound", LINE, LINE, mode="lines"), RECORDS[0])
    drawing = draw(Figure("drift", "Drift", Axis("x"), Axis("y")), {"": [*lines(), bound]}, STYLE, ArrayPool(), note="")
    assert [one.name for one in legend_of(drawing, key_of(STYLE))[-1].items] == ["bound"]


def test_what_the_key_does_not_tell_is_a_legend_of_text_with_every_name() -> None:
    """Never plotly's own in a print: it is cut where it is long."""
    series = [*lines(name="a & b "), *lines(name="upper ")]
    drawing = draw(Figure("gain", "Gain", Axis("x"), Axis("y")), {"": series}, STYLE, ArrayPool(), note="")
    (legend,) = legend_of(drawing, key_of(STYLE))
    assert {one.name for one in legend.items} == {f"{one.record}, {one.trace.name}" for one in series}


@pytest.mark.parametrize(
    ("names", "few"),
    [
        (["13.75 GHz", "14 GHz"], (0, 1)),
        ([f"{n} GHz" for n in range(7)], (0, 3, 6)),
        ([f"{n} GHz, {side} side" for n in range(5) for side in ("lower", "upper")], (0, 1, 4, 5, 8, 9)),
        ([f"{n} GHz, {mhz} MHz apart, {side}" for n in range(3) for mhz in (1, 5) for side in "lu"], (0, 6, 11)),
    ],
)  # fmt: skip
def test_few_panels_are_the_lowest_the_middle_and_the_highest(names: list[str], few: tuple[int, ...]) -> None:
    assert few_of(names) == few


def test_a_plot_has_its_title_legend_and_caption_in_one_unbroken_figure(page: Page) -> None:
    """A caption alone on a page, a legend cut by a scroll bar: what a print needs stands as text inside the figure."""
    figures = [one for one in page.root.all("figure", "plot") if one.all("div", "canvas")]
    assert len(figures) > 5
    for one in figures:
        assert len(one.all("p", "print-title")) == len(one.all("div", "print-key")) == len(one.all("figcaption")) == 1
        assert one.all("div", "print-key")[0].all("span", "key-item")
    assert re.search(r"\.plot \{[^}]*break-inside: avoid", page.html)


def test_an_abridged_figure_says_which_of_its_choices_are_printed(folder: Path, record: Path, page: Page) -> None:
    short = Page(write_report([record], folder / "abridged.html", ReportOptions(abridged=True)))
    said = [one.text for one in short.root.all("figcaption") if "Printed: lowest, middle and highest, 3 of 7" in one.text]
    assert said
    assert not any("Printed:" in one.text for one in page.root.all("figcaption"))


def test_what_only_a_screen_can_do_is_not_printed(page: Page) -> None:
    (said,) = (one for one in page.root.all("span", "screen-only") if "Drag" in one.text)
    assert "double click" in said.text
    assert "Drag" not in page.text.replace(said.text, "")


def test_no_line_ends_between_plus_minus_and_its_number(page: Page) -> None:
    assert "±\N{NO-BREAK SPACE}" in page.html or "±&nbsp;" in page.html
    main = page.own[page.own.index("<main>") : page.own.index("</main>")]
    texts = re.sub(r"<details class=\"text\">.*?</details>", "", main, flags=re.DOTALL)
    assert not re.search(r"± \d", texts)


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
