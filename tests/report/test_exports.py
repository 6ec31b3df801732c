"""Figures and data-sheet table as files of their own: the report's numbers, lines and meanings, and nothing overwritten."""

from __future__ import annotations

import csv
import hashlib
import re
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pandas as pd
import pytest

from benchkit.errors import FormatError, RecordExistsError
from benchkit.report import export_datasheet, export_figures
from benchkit.report.digits import MINUS
from tests.report.page import Page
from tests.report.sample import SEQUENCE, Sample, many_points, write_sample
from tests.scenario import benchkit


@pytest.fixture(scope="session")
def small(folder: Path) -> Path:
    """The night stopped after a few ladders: enough to draw."""
    return write_sample(folder / "small.h5", Sample(sequence_text=many_points(SEQUENCE, 2), stop_at_point=62, simulated=1))


@pytest.fixture(scope="session")
def figures(small: Path, folder: Path) -> list[Path]:
    return export_figures(small, folder / "figures")


def test_every_drawable_figure_of_the_report_is_there_as_svg_and_png(figures: list[Path], small: Path, folder: Path) -> None:
    from benchkit.report import write_report

    page = Page(write_report([small], folder / "small.html"))
    wanted = sum(len(plot["sets"]) if len(plot["sets"]) > 1 else 1 for plot in page.plots())
    names = {path.suffix: {one.stem for one in figures if one.suffix == path.suffix} for path in figures}

    assert names[".svg"] == names[".png"]
    # A choice without one point to draw has no picture.
    assert wanted * 0.5 < len(names[".svg"]) <= wanted
    assert "course" in names[".svg"]
    for path in figures:
        start = path.read_bytes()[:8]
        assert start == b"\x89PNG\r\n\x1a\n" if path.suffix == ".png" else start.startswith(b"<?xml")


def test_axes_have_units_lines_their_meaning_and_a_rehearsal_says_so(figures: list[Path]) -> None:
    """Colour is temperature and dash is channel, as on the page; words stay words, so that they can be found and edited."""
    svg = next(path for path in figures if re.fullmatch(r"power-sweep-gain-[\d.]+-ghz\.svg", path.name)).read_text("utf-8")
    words = " ".join("".join(ElementTree.fromstring(svg).itertext()).split())

    assert "at device input (dBm)" in words
    assert "Gain, device input to device output (dB)" in words
    assert "SIMULATED: no device was measured" in words
    # Black for the room temperature that this night begins with: the palette of the page.
    assert "stroke: #000000" in svg.lower()


def test_the_same_record_gives_the_same_pictures(figures: list[Path], small: Path, tmp_path: Path) -> None:
    """What is under version control must not change by itself."""
    again = export_figures(small, tmp_path / "again")
    digests = [{path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in some} for some in (figures, again)]
    assert digests[0] == digests[1]


def test_the_table_has_the_report_s_numbers_with_units_place_uncertainty_and_verdict(
    record: Path, page: Page, tmp_path: Path
) -> None:
    markdown, table = export_datasheet([record], tmp_path)
    rows = list(csv.DictReader(table.read_text("utf-8-sig").splitlines()))
    row = next(one for one in rows if one["parameter"] == "p1db")
    shown = next(one for one in page.section("Data sheet").all("tr") if "Output power at 1 dB compression" in one.text).text

    assert float(row["minimum"]) <= float(row["typical"]) <= float(row["maximum"])
    assert {row["unit"], row["uncertainty_unit"], row["plane"]} == {"dBm", "dB", "device output"}
    assert "GHz" in row["minimum_at"]
    assert row["verdict"] in ("pass", "conditional pass", "conditional fail", "fail", "not judged")
    for key in ("minimum", "typical", "maximum", "expanded_uncertainty"):
        assert row[key].replace("-", MINUS) in shown
    text = markdown.read_text("utf-8")
    line = next(one for one in text.splitlines() if one.startswith("| Output power at 1 dB compression"))
    assert [cell.strip() for cell in line.split("|")][4].startswith(row["typical"])
    assert row["verdict"] in line
    # Every row of a table has as many cells as its head.
    counts = [len(re.findall(r"(?<!\\)\|", one)) for one in text.splitlines() if one.startswith("|")]
    assert set(counts) == {3, 11}
    assert len(pd.read_csv(table)) == len(rows)


def test_an_absent_number_is_an_empty_cell_with_its_reason(record: Path, tmp_path: Path) -> None:
    _, table = export_datasheet([record], tmp_path)
    absent = [row for row in pd.read_csv(table, keep_default_na=False).to_dict("records") if row["count"] == 0]
    assert absent
    assert all(row["minimum"] == row["typical"] == "" and "absent: " in row["absent"] for row in absent)


def test_a_text_from_a_file_stays_in_its_cell(tmp_path: Path) -> None:
    """A serial number may hold what Markdown would obey."""
    odd = write_sample(tmp_path / "odd.h5", Sample(unit="L07|W1 <b>", stop_at_point=95))
    markdown, _ = export_datasheet([odd], tmp_path / "sheet")
    assert "L07\\|W1 \\<b\\>" in markdown.read_text("utf-8")


@pytest.mark.parametrize("export", [lambda path, to: export_datasheet([path], to), export_figures])
def test_nothing_is_overwritten(export: Callable[[Path, Path], object], small: Path, tmp_path: Path) -> None:
    target = tmp_path / "out"
    target.mkdir()
    (target / "datasheet.csv").write_text("mine", encoding="utf-8")
    (target / "course.png").write_text("mine", encoding="utf-8")

    with pytest.raises(RecordExistsError, match="never overwrites"):
        export(small, target)

    assert sorted(path.name for path in target.iterdir()) == ["course.png", "datasheet.csv"]


def test_what_is_no_record_is_refused(tmp_path: Path) -> None:
    (tmp_path / "no.h5").write_text("no", encoding="utf-8")
    with pytest.raises(FormatError):
        export_figures(tmp_path / "no.h5", tmp_path / "out")


def test_conditions_and_one_plot_stand_before_the_tables(page: Page) -> None:
    """Whoever reads a number first must know under which conditions it holds, and sees the part's behaviour at a glance."""
    conditions = page.section("Test conditions").text
    for words in ("VDD 6 V", "IDQ 220 mA", f"+25 °C, {MINUS}30 °C, +70 °C", "13.75 GHz to 14.5 GHz", "A, B", "L07-W1-01",
                  "KD14 bench", "Date"):  # fmt: skip
        assert words in conditions
    text = page.text
    assert text.index("Cautions") < text.index("Test conditions") < text.index("Key results")
    early = page.section("Key results").all("figure")
    assert len(early) == 1
    assert "Gain against drive" in early[0].text
    # Shown once: the section of plots has the others and says where this one is.
    assert early[0].attributes["id"] not in [one.attributes["id"] for one in page.section("Plots").all("figure")]
    assert "stands above" in page.section("Plots").text


def test_the_command_writes_each_format_and_names_the_files(small: Path, tmp_path: Path) -> None:
    for to, ending in (("datasheet", ".md"), ("figures", ".svg")):
        done = benchkit("export", small, "--to", to, "--out", tmp_path / to, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        assert any(line.endswith(ending) for line in done.stdout.splitlines())
        assert all(Path(line).exists() for line in done.stdout.splitlines())
    wrong = benchkit("export", small, "--to", "csv", "--touchstone-version", "2.0", cwd=tmp_path)
    assert wrong.returncode == 2
    assert "belongs to --to touchstone" in " ".join(re.sub(r"[│╭╰─╮╯]", " ", wrong.stderr).split())
