"""Budgets on the page: one per parameter, largest line first, and what the bench file left unsaid is said."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest

from benchkit.bench.load import load_bench
from benchkit.errors import MisuseError
from benchkit.record import Record
from benchkit.report import write_report
from benchkit.report.budgets import budgets_of, not_stated
from benchkit.results.result import Result
from benchkit.results.uncertainty import Budget, Contribution
from tests.report.many import source_of
from tests.report.page import Page
from tests.scenario import BENCH, ROOT, benchkit, changed


@pytest.fixture(scope="module")
def compared(rehearsed: Path, tmp_path_factory: pytest.TempPathFactory) -> Page:
    return Page(write_report([rehearsed], tmp_path_factory.mktemp("budgets") / "page.html", monte_carlo=20_000))


def test_a_budget_has_its_largest_line_first_and_its_shares_add_up(rehearsed_page: Page) -> None:
    tables = [one.all("table")[0] for one in rehearsed_page.section("Uncertainty budgets").all("details")]

    assert len(tables) > 10
    for table in tables:
        shares = [float(row.all("td", "number")[1].text) for row in table.all("tr")[1:-1]]
        *lines, total = shares
        assert total == 100.0
        assert sum(lines) == pytest.approx(100.0, abs=0.06 * len(lines))
        plain = lines[:-1] if "smaller ones together" in table.text else lines
        assert plain == sorted(plain, reverse=True)


def test_a_print_has_a_row_for_each_budget_and_leaves_the_tables_to_the_page(rehearsed_page: Page) -> None:
    """Fifteen pages of budgets are read by nobody; what most of an uncertainty is from, is."""
    section = rehearsed_page.section("Uncertainty budgets")
    details, brief = section.all("details"), section.all("table", "brief")[0]
    rows = [[cell.text for cell in row.all("td")] for row in brief.all("tr")[1:]]

    assert "print-only" in brief.attributes["class"].split()
    assert all("not-printed" in one.attributes["class"].split() for one in details)
    assert len(rows) == len(details)
    for detail, (_, contributions) in zip(details, rows, strict=True):
        first = detail.all("tbody")[0].all("tr")[0]
        name, amount, share = first.all("th")[0].text, *(one.text for one in first.all("td", "number"))
        assert contributions.startswith(f"{name} {amount}")
        assert f"({share} %)" in contributions
        shares = [float(one) for one in re.findall(r"\((\d+\.\d) %\)", contributions)]
        assert sum(shares) == pytest.approx(100.0, abs=0.06 * len(shares))


def test_what_rounding_leaves_over_is_no_contribution() -> None:
    """A dimensionless number that cancels out has an uncertainty of 2.2e-16 by arithmetic, and none by any physics."""
    lines = (Contribution("drift", 0.01), Contribution("left over", 2.2e-16))
    result = Result("stability_mu", 2.0, "1", "device", expanded_uncertainty=Budget(lines).expanded, budget=lines)
    nothing = (Contribution("left over", 2.2e-16),)
    empty = Result("reciprocity", 0.0, "1", "device", expanded_uncertainty=Budget(nothing).expanded, budget=nothing)
    source = replace(source_of("L07-W1-01", 27.0), results=(result, empty))

    (table,) = budgets_of([source], {})

    assert [(line.name, line.share) for line in table.lines] == [("drift", "100.0")]
    assert table.unit == ""
    assert table.brief == "drift 0.010 (100.0 %)"


def test_a_budget_is_that_of_the_largest_uncertainty(rehearsed: Path, rehearsed_page: Page) -> None:
    with Record.open(rehearsed) as record:
        largest = max(one.expanded_uncertainty for one in record.results() if one.parameter == "p1db" and not one.is_absent)

    summaries = [one.text for one in rehearsed_page.section("Uncertainty budgets").all("summary")]
    text = next(one for one in summaries if one.startswith("Output power at 1 dB compression:"))

    assert f"± {largest:.2f} dB" in text


def test_monte_carlo_is_told_beside_each_budget_when_asked_for(rehearsed_page: Page, compared: Page) -> None:
    told = compared.section("Uncertainty budgets").text

    assert "Monte Carlo (20000 trials, seed 1)" in told
    assert "JCGM 101, 8.2" in told
    assert "too small" not in told
    assert "Monte Carlo" not in rehearsed_page.section("Uncertainty budgets").text


def test_too_few_trials_are_refused(rehearsed: Path, tmp_path: Path) -> None:
    with pytest.raises(MisuseError, match="10000 to"):
        write_report([rehearsed], tmp_path / "page.html", monte_carlo=100)
    done = benchkit("report", rehearsed, "--monte-carlo", "100", "--out", tmp_path / "page.html", cwd=tmp_path)
    assert done.returncode == 2
    assert not (tmp_path / "page.html").exists()


def test_what_the_bench_file_does_not_state_is_listed(tmp_path: Path) -> None:
    """A budget without mismatch looks better than one with it: the reader must know which it is."""
    line = "        mismatch: {path_return_loss: 28 dB, device_return_loss: 11 dB, convention: largest magnitudes}\n"
    silent = changed(BENCH, tmp_path / "benches", (line, ""), ("    linearity: 0.02 dB\n", ""), ("    zero: -70 dBm\n", ""))
    for folder in ("paths", "twin"):
        (tmp_path / folder).symlink_to(ROOT / "sequences" / folder)

    assert not_stated(load_bench(BENCH)) == []
    told = not_stated(load_bench(silent))

    assert "channel A: mismatch not stated at the device's input" in told
    assert "output_meter: linearity, zero not stated" in told
    assert "rf_source: linearity not stated" in told
