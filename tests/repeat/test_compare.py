"""Two sets of results held against each other: by the En number, common parts not counted twice, chance allowed for."""

from __future__ import annotations

import csv
import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from typer.testing import CliRunner

import benchkit
from benchkit.campaign.common_parts import COMMON
from benchkit.campaign.compare import Comparison, Measured, Row, compare, compare_files, load_measured
from benchkit.campaign.earlier import EARLIER_COLUMNS
from benchkit.cli.main import app
from benchkit.errors import FileError
from benchkit.results.result import Result, ResultCondition
from tests.scenario import BENCH, SHORT, changed

AT = ResultCondition(25.0, "A", 6.0, 14.125e9)


@pytest.fixture(scope="module")
def record(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return benchkit.rehearse(SHORT, tmp_path_factory.mktemp("first") / "a.h5").record


def result(value: float, expanded: float = 0.2, *, hz: float = 14.125e9, name: str = "p1db", reason: str = "") -> Result:
    return Result(name, value, "dBm", "device output", replace(AT, frequency_hz=hz), "", expanded, reason=reason)


def compared(first: list[Result], second: list[Result]) -> Comparison:
    return compare(Measured("first", tuple(first)), Measured("second", tuple(second)))


def table(path: Path, rows: list[dict[str, object]]) -> Path:
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, EARLIER_COLUMNS, restval="")
        writer.writeheader()
        writer.writerows(rows)
    return path


def call(*arguments: str | Path) -> tuple[int, str]:
    ran = CliRunner().invoke(app, ["compare", *map(str, arguments)])
    assert ran.exception is None or isinstance(ran.exception, SystemExit), ran.exception
    return ran.exit_code, ran.output


def test_the_number_is_the_standards() -> None:
    """En = (x - y) / sqrt(Ux^2 + Uy^2): ISO 13528:2015, 9.7; worked by hand: 0.5 / sqrt(0.3^2 + 0.4^2) = 1."""
    comparison = compared([result(27.5, 0.3)], [result(27.0, 0.4)])

    assert comparison.rows[0].en == pytest.approx(1.0)
    assert comparison.agrees
    assert not compared([result(27.51, 0.3)], [result(27.0, 0.4)]).agrees


def test_what_both_have_in_common_is_taken_out_and_no_more(record: Path) -> None:
    """A record against itself: every instrument is common, of each contribution the stated part."""
    comparison = compare_files(record, record)
    rows = {(row.parameter, row.qualifier): row for row in comparison.rows}

    own = math.sqrt(2 * (1 - COMMON**2))
    gate = rows["gate_voltage", ""]
    with benchkit.open_record(record) as opened:
        points = opened.points()
    u_gate = float(points.loc[points["measurement"] == 0, "u_gate_voltage_v"].max())
    assert gate.common_expanded == pytest.approx(2 * COMMON * u_gate)
    assert gate.difference_expanded == pytest.approx(math.sqrt(2 * (gate.first_expanded**2 - gate.common_expanded**2)))
    level = rows["p1db", ""]
    assert own * level.first_expanded * 0.99 < level.difference_expanded < 0.75 * math.sqrt(2) * level.first_expanded
    # What no common part contributes to stays whole: the scatter of a difference on one ladder.
    expansion = rows["gain_expansion", ""]
    assert expansion.difference_expanded == pytest.approx(math.sqrt(2) * expansion.first_expanded)
    # The trim may end anywhere within its tolerance: 2 mA, rectangular, in both runs.
    current = rows["quiescent_current", ""]
    assert current.allowed_expanded == pytest.approx(2 * 2e-3 / math.sqrt(3))
    assert current.difference_expanded > math.sqrt(2) * current.allowed_expanded


def test_a_calibration_in_between_makes_an_instrument_another(record: Path, tmp_path: Path) -> None:
    """It may have been adjusted; its error is not the one it had."""
    today = changed(BENCH, tmp_path / "benches", ("calibrated: 2025-10-02", "calibrated: 2027-04-01"))
    for folder in ("paths", "twin"):
        (tmp_path / folder).mkdir()
        for file in (BENCH.parent.parent / folder).iterdir():
            (tmp_path / folder / file.name).write_bytes(file.read_bytes())
    again = benchkit.rehearse(SHORT, tmp_path / "b.h5", bench=today).record

    before, after = compare_files(record, record), compare_files(record, again)

    assert not any("output_meter" in name for name in after.common)
    assert any("rf_source" in name for name in after.common)
    widths = [next(row.difference_expanded for row in one.rows if row.parameter == "p1db") for one in (before, after)]
    assert widths[1] > widths[0]
    assert "output_meter: calibrated" in [one.name for one in after.differences]


def test_chance_is_allowed_for_and_no_more() -> None:
    """k = 2 leaves one in twenty beyond; of fewer than twenty none is excused, and |En| > 2 never."""
    hz = [14e9 + 1e6 * i for i in range(40)]
    second = [result(27.0, 0.2, hz=f) for f in hz]

    def first(off: list[float], count: int) -> list[Result]:
        return [result(27.0 + (off[i] if i < len(off) else 0.0), 0.2, hz=f) for i, f in enumerate(hz[:count])]

    beyond, far = 0.2 * math.sqrt(2) * 1.2, 0.2 * math.sqrt(2) * 2.5
    assert compared(first([beyond], 20), second[:20]).agrees
    assert not compared(first([beyond], 19), second[:19]).agrees
    assert compared(first([beyond] * 2, 40), second).agrees
    assert not compared(first([beyond] * 3, 40), second).agrees
    assert not compared(first([far], 40), second).agrees


def test_a_number_on_one_side_only_is_no_agreement() -> None:
    """Compression that one run never reached is not nothing."""
    comparison = compared([result(27.0)], [result(math.nan, math.nan, reason="compression not reached")])

    assert not comparison.agrees
    assert "compression not reached" in comparison.rows[0].reason
    assert comparison.rows[0].disagrees


def test_the_worst_stand_first_and_what_is_not_shared_is_told() -> None:
    """One screen is what is read."""
    first = [result(27.0, hz=1e9), result(28.0, hz=2e9), result(26.9, hz=3e9), result(20.0, hz=4e9)]
    second = [result(27.0, hz=1e9), result(27.0, hz=2e9), result(27.0, hz=3e9), result(20.0, hz=5e9)]
    comparison = compared(first, second)

    assert [row.condition.frequency_hz for row in comparison.rows] == [2e9, 3e9, 1e9]
    assert [one.condition.frequency_hz for one in comparison.only_first] == [4e9]
    assert [one.condition.frequency_hz for one in comparison.only_second] == [5e9]


def test_two_that_share_nothing_are_a_mistake_with_both_contents() -> None:
    """Rather than agreement by having nothing to disagree about."""
    with pytest.raises(FileError, match="no parameter at a shared condition"):
        compared([result(27.0)], [result(27.0, hz=1e9)])


def test_an_earlier_table_stands_for_a_record(record: Path, tmp_path: Path) -> None:
    """What was measured before benchkit, or elsewhere; a condition that is not stated fits the only one there is."""
    p1db = next(one for one in load_measured(record).results if one.parameter == "p1db")
    rows = [
        {"parameter": "p1db", "channel": "A", "supply_voltage_v": 6, "frequency_hz": "14.125e9", "value": p1db.value + 0.1,
         "unit": "dBm", "expanded_uncertainty": 0.3},
        {"parameter": "pae_back_off", "qualifier": "6 dB back-off", "value": 9.7, "unit": "%", "expanded_uncertainty": 0.5},
        {"parameter": "saturated_power", "value": 29, "unit": "dBm"},
    ]  # fmt: skip
    good = table(tmp_path / "earlier.csv", rows)
    rows[0]["value"] = p1db.value + 1
    bad = table(tmp_path / "other.csv", rows)

    code, said = call(record, good, "--json")
    told = {row["parameter"]: row for row in json.loads(said)["rows"]}
    assert told["p1db"]["en"] == pytest.approx(-0.1 / math.hypot(0.3, p1db.expanded_uncertainty))
    assert told["saturated_power"]["disagrees"]  # the record has a reason, the table a number
    assert code == 1
    assert call(record, bad)[0] == 1
    rows[0]["value"] = p1db.value - 0.1
    assert call(record, table(tmp_path / "two.csv", rows[:2]))[0] == 0


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ({"parameter": "p1db", "value": "27 dBm", "unit": "dBm"}, "'27 dBm' is not a number"),
        ({"parameter": "p1db", "value": "27", "unit": "dB"}, "p1db is in dBm"),
        ({"parameter": "p1db", "unit": "dBm"}, "value: is empty"),
        ({"parameter": "p1db", "value": "nan", "unit": "dBm"}, "not a number"),
        ({"parameter": "p1db", "value": "1", "unit": "dBm", "expanded_uncertainty": "-1"}, "below zero"),
        ({"value": "1", "unit": "dBm"}, "parameter: is empty"),
    ],
)
def test_mistakes_in_a_table_are_told_with_their_line(record: Path, tmp_path: Path, row: dict[str, object], says: str) -> None:
    """As in every file of the user's."""
    path = table(tmp_path / "earlier.csv", [{"parameter": "p1db", "value": "27", "unit": "dBm"}, row])
    with pytest.raises(FileError) as raised:
        compare_files(record, path)
    assert says in str(raised.value)
    assert "earlier.csv:3" in str(raised.value)


def test_a_table_row_that_fits_several_results_asks_for_more(tmp_path: Path) -> None:
    """It is not guessed which."""
    first = Measured("first", (result(27.0, hz=1e9), result(27.1, hz=2e9)))
    row = {"parameter": "p1db", "channel": "A", "value": "27", "unit": "dBm", "expanded_uncertainty": 1}
    path = table(tmp_path / "earlier.csv", [row])
    with pytest.raises(FileError, match="state frequency_hz"):
        compare(first, load_measured(path))
    with pytest.raises(FileError, match="only the second"):
        compare_files(path, path)


def test_the_page_stands_by_itself_and_is_never_written_over(record: Path, tmp_path: Path) -> None:
    """Every row is in it; nothing is fetched."""
    out = tmp_path / "agreement.html"
    code, said = call(record, record, "--out", out)
    text = out.read_text(encoding="utf-8")

    assert code == 0
    assert str(out) in said
    assert text.count("<tr") >= len(compare_files(record, record).rows)
    assert "default-src &#39;none&#39;" in text
    ran = CliRunner().invoke(app, ["compare", str(record), str(record), "--out", str(out)])
    assert "never overwrites" in str(ran.exception)
    assert out.read_text(encoding="utf-8") == text


def test_several_are_each_held_against_the_first(record: Path) -> None:
    """A lot against its reference part."""
    code, said = call(record, record, record)

    assert code == 0
    assert said.count("The two agree") == 2


def test_a_row_is_judged_by_its_number_alone() -> None:
    """The properties that everything above stands on."""
    row = Row("p1db", "", AT, "dBm", "device output", 1.0, 0.1, 1.0, 0.1, 0.0, 0.1, 0.0, 0.0, 1.0)
    assert row.is_judged
    assert not row.disagrees
    assert replace(row, en=-1.0001).disagrees
    assert not replace(row, en=math.nan).is_judged
    assert replace(row, en=math.nan, second=math.nan).is_one_sided
