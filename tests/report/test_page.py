"""The page as a whole: needs nothing, says what it is, never overwrites, never runs a text from a file."""

from __future__ import annotations

import base64
import hashlib
import re
from pathlib import Path

import pytest

from benchkit.errors import FileError, FormatError, MisuseError, RecordExistsError
from benchkit.report import write_report
from tests.report.page import Page
from tests.report.sample import SEQUENCE, Sample, write_sample

HOSTILE = "<script>alert('1')</script><img src=x onerror=alert(2)>"


def test_a_report_needs_nothing_from_anywhere_else(page: Page) -> None:
    """It is mailed to a customer, and opened where there is no network."""
    links = [
        one.attributes[name]
        for tag in ("script", "link", "img", "a", "iframe", "use")
        for one in page.root.all(tag)
        for name in ("src", "href")
        if name in one.attributes
    ]
    assert links == ["#sheet"]
    assert not re.search(r"url\(|@import|https?://", page.own.replace("http-equiv", ""))


def test_only_the_scripts_that_were_written_may_run(page: Page) -> None:
    """Escaping is the first wall; the browser's own is the second. The hashes must fit, or no plot is drawn at all."""
    policy = next(
        one.attributes["content"]
        for one in page.root.all("meta")
        if one.attributes.get("http-equiv") == "Content-Security-Policy"
    )
    scripts = re.findall(r"<script>(.*?)</script>", page.html, flags=re.DOTALL)
    allowed = re.findall(r"'sha256-([^']+)'", policy)
    assert [base64.b64encode(hashlib.sha256(one.encode()).digest()).decode() for one in scripts] == allowed
    assert "default-src 'none'" in policy


def test_a_text_from_a_file_is_shown_and_never_run(report) -> None:
    """Serial numbers, operators and events come from files and instruments: anybody may have written them."""
    page = report(
        Sample(
            unit=HOSTILE, stop_at_point=130, outcome="limit", message=f"limit {HOSTILE}",
            attributes={"operator": HOSTILE, "bench_name": HOSTILE, "warnings": HOSTILE, "software": HOSTILE},
            instruments=[{"name": HOSTILE, "role": HOSTILE, "model": HOSTILE}],
        ),
        Sample(unit="L07-W1-02", stop_at_point=130, outcome="limit"),
    )  # fmt: skip
    assert len(page.root.all("script")) == 3
    assert page.root.all("img") == []
    assert HOSTILE in page.text
    assert "<script>alert" not in page.own
    names = [style["name"] for plot in page.plots() for style in plot["styles"]]
    assert not [name for name in names if "<" in name]
    assert [name for name in names if "&lt;script&gt;" in name]


def test_an_existing_file_is_left_as_it_is(record: Path, tmp_path: Path) -> None:
    out = tmp_path / "report.html"
    out.write_text("an older report")
    with pytest.raises(RecordExistsError, match=r"report\.html exists"):
        write_report([record], out)
    assert out.read_text() == "an older report"


def test_the_same_record_gives_the_same_bytes(record: Path, tmp_path: Path) -> None:
    """A report can be checked by making it again; it says when the record was made, not when the page was."""
    first, second = (write_report([record], tmp_path / name) for name in ("a.html", "b.html"))
    assert first.read_bytes() == second.read_bytes()


def test_what_is_no_record_is_refused_and_nothing_is_written(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("not a record")
    with pytest.raises(FormatError):
        write_report([tmp_path / "notes.txt"], tmp_path / "report.html")
    with pytest.raises(MisuseError):
        write_report([], tmp_path / "report.html")
    assert not (tmp_path / "report.html").exists()


def test_a_rehearsal_says_so_everywhere(rehearsed_page: Page) -> None:
    """On the page's top, on every printed page, in every plot: a plot is copied into slides without its page."""
    page = rehearsed_page
    assert page.root.all("title")[0].text.startswith("SIMULATED")
    assert "no device was measured" in page.root.all("p", "strip")[0].text
    assert page.root.all("div", "watermark")[0].text == "SIMULATED"
    assert "SIMULATED" in page.root.all("style")[1].text
    assert len(page.plots()) >= 8
    for plot in page.plots():
        assert any("SIMULATED" in note["text"] for note in plot["layout"]["annotations"])


def test_a_measurement_is_not_called_simulated(page: Page) -> None:
    assert "SIMULATED" not in page.own.replace(page.root.all("script")[-1].text, "")
    assert page.root.all("div", "watermark") == []


def test_a_record_that_does_not_say_is_not_taken_for_measured(report) -> None:
    page = report(Sample(simulated=None, stop_at_point=130))
    assert "ORIGIN NOT STATED" in page.root.all("p", "strip")[0].text


def test_a_simulated_unit_beside_a_measured_one_is_marked_by_name(report) -> None:
    page = report(Sample(stop_at_point=130), Sample(unit="L07-W2-05", simulated=1, stop_at_point=130))
    assert "PARTLY SIMULATED" in page.root.all("p", "strip")[0].text
    names = set(page.traces("Gain against drive", "13.75 GHz"))
    assert names == {"L07-W1-01, +25 °C, channel A", "L07-W2-05 (simulated), +25 °C, channel A"}


def test_every_table_and_plot_can_be_read_without_seeing(page: Page) -> None:
    """Tables: caption, and headings that say what they head. Plots: what they show, in words."""
    assert page.root.all("html")[0].attributes["lang"] == "en"
    tables = page.root.all("table")
    assert len(tables) > 10
    for table in tables:
        assert table.all("caption")[0].text
        assert all(one.attributes.get("scope") in ("col", "row") for one in table.all("th"))
    canvases = page.root.all("div", "canvas")
    assert len(canvases) == len(page.plots())
    for canvas in canvases:
        assert re.search(r": .*\d+ (line|lines|stretches)", canvas.attributes["aria-label"])


def test_one_page_is_of_one_part(tmp_path: Path) -> None:
    records = [write_sample(tmp_path / f"{part}.h5", Sample(part=part, stop_at_point=130)) for part in ("KD14", "KD15")]
    with pytest.raises(FileError, match="is of part KD15; one data sheet is of one part"):
        write_report(records, tmp_path / "report.html")


def test_a_record_counts_once(record: Path, tmp_path: Path) -> None:
    """Twice the same record would narrow nothing and weigh double in every median."""
    with pytest.raises(FileError, match="named twice"):
        write_report([record, record], tmp_path / "report.html")


def test_sequences_that_differ_are_shown_with_their_difference(report) -> None:
    other = SEQUENCE.replace("pae_p1db, min: 24 %", "pae_p1db, min: 26 %")
    page = report(Sample(stop_at_point=130), Sample(unit="L07-W1-02", sequence_text=other, stop_at_point=130))
    texts = page.section("Exact texts").text
    assert "2 different sequences" in texts
    assert "-  - {parameter: pae_p1db, min: 24 %} +  - {parameter: pae_p1db, min: 26 %}" in texts.replace("  ", " ").replace(
        "- - {", "-  - {"
    ).replace("+ - {", "+  - {")
    row = page.row("Data sheet", "Power-added efficiency at P1dB")
    assert "at least 24 %" in row.text
    assert "at least 26 %" in page.section("Data sheet").text
