"""Promises of a report over many parts, channels and occasions, and beside imported data."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from benchkit.cli.main import app
from benchkit.errors import FileError
from benchkit.record import Record, export_touchstone
from benchkit.report import write_report
from benchkit.report.against import difference
from benchkit.report.channels import expanded_of_channels
from benchkit.report.curves import PHASE, Curve
from benchkit.report.imported import read_imported
from benchkit.report.options import ReportOptions, parse_against, parse_tolerance
from benchkit.report.population import LEAST_UNITS, population_of
from benchkit.report.source import check_comparable
from benchkit.results.result import PARAMETERS, Result, ResultCondition
from benchkit.results.uncertainty import Budget, Contribution
from tests.report.many import SIMULATED, UNITS, die, source_of
from tests.report.page import Page
from tests.report.sample import Sample

S2P, CSV = SIMULATED / "kd14_simulated.s2p", SIMULATED / "kd14_simulated_p1db.csv"


@pytest.fixture(scope="module")
def dice(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    folder = tmp_path_factory.mktemp("dice")
    return [die(folder, unit) for unit in UNITS]


@pytest.fixture(scope="module")
def page(both: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Page:
    """Everything at once, as the command line does it."""
    out = tmp_path_factory.mktemp("page") / "many.html"
    asked = ["--out", str(out), "--tolerance", "95/90", "--against", str(S2P), "--against", f"{CSV}@+25"]
    found = CliRunner().invoke(app, ["report", *map(str, both), *asked], catch_exceptions=False)
    assert found.exit_code == 0, found.output
    return Page(out)


def test_five_good_dice_overlay_and_can_be_told_apart(dice: list[Path], tmp_path: Path) -> None:
    """Five good dice of one wafer overlay within tenths of a dB: common practice, no source. Colour and mark tell each."""
    page = Page(write_report(dice, tmp_path / "dice.html", ReportOptions(parse_tolerance("95/90"))))

    curves = page.traces("Gain against drive", "14.125 GHz")
    gains = [y[0] for _, y, _ in curves.values()]
    assert len(gains) == 5
    assert 0 < max(gains) - min(gains) < 1.0
    assert len({(look["line"]["color"], look["marker"]["symbol"]) for _, _, look in curves.values()}) == 5
    assert len({look["line"]["color"] for _, _, look in curves.values()}) == 5
    row = page.row("Population", "A, 14.125 GHz")
    assert "k = " in row.text
    assert "at least 25 are needed, 100 for a study" in page.section("Population").text


def test_lines_without_marks_get_some_where_units_must_be_told_apart(page: Page) -> None:
    """S-parameters are lines of many points: without a mark two units at one temperature were one line."""
    looks = [look for _, _, look in page.traces("S-parameters: |S21|").values()]
    assert len({look["marker"]["symbol"] for look in looks}) == 3
    assert all(look["mode"] == "lines+markers" and look["marker"]["maxdisplayed"] for look in looks)


def test_channels_are_matched_in_gain_and_phase_with_an_uncertainty(page: Page) -> None:
    section = page.section("Channel against channel")
    labels = [row.all("th")[0].text for row in section.all("tr")[1:]]
    assert any(label.startswith("|S21|") for label in labels)
    assert any(label.startswith("Phase of S21") for label in labels)
    gain = next(row for row in section.all("tr") if row.all("th")[0].text != "Unit" and "Small-signal gain" in row.text)
    assert "A less B" in gain.text
    assert "±" in gain.text
    assert "source rf_source, power meter output_meter" in section.text
    assert len(page.traces("Gain match |S21|: A less B")) == 3


def test_the_gain_match_is_what_the_two_channels_traces_differ_by(page: Page) -> None:
    measured = page.traces("S-parameters: |S21|")
    a, b = (next(y for name, (_, y, _) in measured.items() if UNITS[1] in name and f"channel {which}" in name) for which in "AB")
    match = next(y for name, (_, y, _) in page.traces("Gain match |S21|").items() if UNITS[1] in name)
    assert np.allclose(match, a - b, atol=1e-12)


LABELS = ["Gain |S21|, lowest in band", "Gain flatness in band", "Stability measure mu", "Group delay, longest in band"]


@pytest.mark.parametrize("label", LABELS)
def test_units_share_a_row_wherever_in_the_band_each_is_worst(page: Page, label: str) -> None:
    """A row for each unit has a population of one, and its expectation is counted once for each."""
    rows = [row for row in page.section("Data sheet").all("tr") if row.all("th") and row.all("th")[0].text.startswith(label)]
    assert len(rows) == 1
    assert rows[0].all("td")[5].text.strip() == "6"  # three records of two channels


def test_each_unit_has_its_verdict_on_every_expectation(page: Page, both: list[Path]) -> None:
    """Lots are sorted by it: which unit fails what, and by how much."""
    table = page.section("Verdicts by unit")
    head = [cell.text for cell in table.all("thead")[0].all("th")]
    assert [UNITS[0] in name for name in head[1:]] == [True, False, True]
    for place, record in enumerate(both):
        with Record.open(record) as opened:
            verdicts = [one for one in opened.verdicts() if one.result and one.result.parameter == "input_return_loss"]
        low = min(verdicts, key=lambda one: one.margin)
        assert low.result is not None
        cell = page.row("Verdicts by unit", "Input return loss, lowest in band").all("td")[place]
        outcomes = {one.outcome for one in verdicts}
        worst = next(one for one in ("fail", "conditional fail", "conditional pass", "pass") if one in outcomes)
        assert worst in cell.text
        assert f"{low.result.value:.2f}" in cell.text
        assert f"channel {low.result.condition.channel}" in cell.text
        assert page.row("Verdicts by unit", "All of it").all("td")[place].text.split(" ", 1)[1] in (
            "fail", "conditional fail", "not judged", "conditional pass", "pass",
        )  # fmt: skip


def test_a_unit_whose_run_ended_early_is_part_of_the_population_and_no_interval_is_told(report: Callable[..., Page]) -> None:
    """Those that died are no random choice: of the rest an interval would say that the lot is good."""
    half = Sample(unit="L07-W1-03", stop_at_point=300, outcome="stopped")
    page = report(Sample(), Sample(unit="L07-W1-02", gain_db=24.3), half, options=ReportOptions(parse_tolerance("95/90")))
    text = page.section("Population").text
    assert "1 absent" in text
    assert "refused: 1 of 3 have no number, and the rest is no sample of the lot" in text


def test_a_unit_that_did_not_get_through_is_incomplete_and_does_not_pass(report: Callable[..., Page]) -> None:
    """A half measured unit between whole ones is the one that slips into the box of good ones."""
    page = report(Sample(), Sample(unit="L07-W1-02", stop_at_point=300, outcome="stopped"))
    whole, half = page.row("Verdicts by unit", "All of it").all("td")
    assert "incomplete" not in whole.text
    # What an expectation names and the run did not reach is not passed by what it did reach.
    assert "no result for p1db at +70 °C" in page.section("Data sheet").text
    assert "incomplete" in half.text


def test_imported_curves_are_dashed_and_said_not_to_be_measured(page: Page) -> None:
    curves = page.traces("|S21|: measured, and kd14_simulated.s2p")
    dashed = [look for name, (_, _, look) in curves.items() if "NOT MEASURED HERE" in name]
    assert [look["line"]["dash"] for look in dashed] == ["10px,6px"]
    assert dashed[0]["mode"] == "lines"
    assert dashed[0]["filter"]["record"] is None
    text = page.section("Beside simulated or earlier data").text
    assert "+25 °C (not stated: the default), and traces whose temperature was not set; all channels" in text


def test_the_difference_is_measured_less_imported_at_measured_frequencies(page: Page) -> None:
    """The file steps by 50 MHz and the record by 25: in between by straight lines."""
    name = f"{UNITS[1]}, +25 °C, channel A, 6 V"
    title = "|S21|: measured"
    x, y, _ = page.traces(f"{title}, and")[name]
    at, found, _ = page.traces(f"{title} less")[name]
    _, (sx, sy, _) = next(item for item in page.traces(f"{title}, and").items() if "NOT MEASURED" in item[0])
    assert np.array_equal(at, x)
    assert np.allclose(found, y - np.interp(x, sx, sy), atol=1e-12)
    rows = page.section("Beside simulated or earlier data").all("tr")
    row = next(one for one in rows if one.text.startswith("|S21|") and UNITS[1] in one.text and "channel A" in one.text)
    worst = int(np.argmax(np.abs(found)))
    assert f"{at[worst]:.9g} GHz" in row.text
    cells = [cell.text for cell in row.all("td")]
    assert float(cells[5].replace("\N{MINUS SIGN}", "-")) == pytest.approx(found[worst], abs=6e-3)
    assert float(cells[4].replace("\N{MINUS SIGN}", "-")) == pytest.approx(found.mean(), abs=6e-3)


def test_one_unit_on_two_occasions_is_compared_by_the_en_number(page: Page) -> None:
    section = page.section("One unit on several occasions")
    assert section.all("figure"), "the difference is drawn, not only told"
    assert f"{UNITS[0]} (first)" in section.text
    assert "all " in section.text
    assert "have |En| <= 1" in section.text


def test_occasions_are_named_as_told(both: list[Path], tmp_path: Path) -> None:
    """Wafer against package: the record does not know; who writes the report does."""
    options = ReportOptions(occasions=("wafer", "package"))
    page = Page(write_report([both[0], both[2]], tmp_path / "occasions.html", options))

    assert f"{UNITS[0]}, wafer and {UNITS[0]}, package" in page.text
    with pytest.raises(FileError, match="--occasion: given 1 times for 2 records"):
        write_report([both[0], both[2]], tmp_path / "two.html", ReportOptions(occasions=("wafer",)))


def test_an_imported_file_that_belongs_to_nothing_is_an_error(both: list[Path], dice: list[Path], tmp_path: Path) -> None:
    for records, text, message in (
        (both, f"{S2P}@-40", "belongs to \N{MINUS SIGN}40 °C; measured was .25 °C, channel A, 6 V.*FILE@.25,A"),
        (both, f"{S2P}@C", "channel C; measured was"),
        (dice, str(S2P), "no record has s21 in dB; only S-parameters corrected to the device's planes are compared"),
    ):
        with pytest.raises(FileError, match=message):
            write_report(records, tmp_path / "never.html", ReportOptions(against=(parse_against(text),)))
    assert not (tmp_path / "never.html").exists()


def test_a_records_own_export_differs_from_it_by_nothing(both: list[Path], tmp_path: Path) -> None:
    """Written by benchkit, read by scikit-rf: names, units and order of the S-parameters are the same both ways."""
    with Record.open(both[1]) as record:
        files = export_touchstone(record, tmp_path / "touchstone")
    against = tuple(
        parse_against(f"{file}@+25,{channel}") for file in files for channel in "AB" if f"channel_{channel}" in file.name
    )
    page = Page(write_report([both[1]], tmp_path / "own.html", ReportOptions(against=against)))

    for title in ("|S21|", "|S11|", "|S22|", "|S12|", "Phase of S21"):
        curves = page.traces(f"{title}: measured less")
        assert len(curves) == 2
        assert all(np.abs(y).max() < 1e-4 for _, y, _ in curves.values())


def test_earlier_results_row_by_row_are_compared_too(dice: list[Path], tmp_path: Path) -> None:
    earlier = tmp_path / "earlier.csv"
    earlier.write_text(
        "parameter,qualifier,temperature_degc,channel,supply_voltage_v,frequency_hz,value,unit,expanded_uncertainty\n"
        "p1db,,,A,6,14.125e9,26.0,dBm,0.2\nquiescent_current,,,A,,,0.219,A,\n"
    )
    page = Page(write_report(dice[:1], tmp_path / "earlier.html", ReportOptions(against=(parse_against(str(earlier)),))))

    rows = [row.text for row in page.section("Beside simulated or earlier data").all("tr")]
    p1db = next(row for row in rows if row.startswith("Output power at 1 dB compression"))
    assert "14.125 GHz" in p1db
    assert "±" in p1db
    assert any(row.startswith("Quiescent drain current") for row in rows)
    with pytest.raises(FileError, match="states its conditions row by row"):
        read_imported(parse_against(f"{earlier}@+25"), PARAMETERS)


EARLIER = "parameter,qualifier,temperature_degc,channel,supply_voltage_v,frequency_hz,value,unit,expanded_uncertainty\n"
S_LINE = "{} 0.1 0 10 0 0.001 0 0.1 0\n"


@pytest.mark.parametrize(
    ("name", "text", "message"),
    [
        ("a.s2p", "nothing of the kind\n", "is no Touchstone file"),
        ("a.s2p", "# GHz S RI R 50\n14 0.1 0 10\n", "is no Touchstone file"),
        ("a.s2p", "# GHz S RI R 50\n14 0.1 0 ten 0 0.001 0 0.1 0\n", "is no Touchstone file"),
        ("a.s1p", "# GHz S RI R 50\n14 0.1 0\n15 0.1 0\n", r"has 1 port; .* give an \.s2p file"),
        ("a.s2p", "# GHz S RI R 75\n" + S_LINE.format(14) + S_LINE.format(15), "refers to 75 ohm; the records refer to 50"),
        ("a.s2p", "# GHz S RI R 50\n" + S_LINE.format(15) + S_LINE.format(14), "not in ascending order: 14 GHz comes after 15"),
        ("a.s2p", "# GHz S RI R 50\n" + S_LINE.format(14), "has 1 frequency; two or more are needed"),
        ("a.s2p", "# GHz S RI R 50\n", "Touchstone|has 0 frequencies"),
        ("a.csv", "f,p1db [dBm]\n1e9,2\n", "has no column frequency_hz"),
        ("a.csv", "frequency_hz,p1db\n1e9,2\n2e9,2\n", "p1db: names no unit"),
        ("a.csv", "frequency_hz,p1db [W]\n1e9,2\n2e9,2\n", "is in W; p1db is in dBm"),
        ("a.csv", "frequency_hz,power [dBm]\n1e9,2\n2e9,2\n", "power is no parameter of these records"),
        ("a.csv", "# remark\nfrequency_hz,p1db [dBm]\n1e9,2\n2e9,much\n", "a.csv:4: p1db .dBm.: 'much' is not a number"),
        ("a.csv", "frequency_hz,p1db [dBm]\n2e9,2\n1e9,2\n", "not in ascending order"),
        ("a.csv", "frequency_hz,p1db [dBm]\n2e9\n1e9,2\n", "has 1 cells; the line of names has 2"),
        ("a.csv", "frequency_hz\n2e9\n", "has no curve beside frequency_hz"),
        ("a.csv", "frequency_hz,p1db [dBm]\n1e9," + "2" * 200_000 + "\n2e9,2\n", "is not CSV: field larger"),
        ("a.csv", f"{EARLIER}p1db,,,A,6,14e9,26.0,dBm,0.2\np1db,,,A,6,14e9,26.5,dBm,0.2\n", "p1db at this condition once more"),
        ("a.txt", "", r"neither Touchstone \(\.s2p, \.ts\) nor \.csv"),
    ],
)  # fmt: skip
def test_a_file_that_cannot_be_compared_is_named_with_what_to_do(tmp_path: Path, name: str, text: str, message: str) -> None:
    path = tmp_path / name
    path.write_text(text)

    with pytest.raises(FileError, match=message) as caught:
        read_imported(parse_against(str(path)), PARAMETERS)
    assert str(path) in str(caught.value)


def test_a_condition_stands_after_the_last_at(tmp_path: Path) -> None:
    found = parse_against("by@hand.s2p@-30 degC, B,5.5 V")
    assert (str(found.path), found.temperature_degc, found.channel, found.supply_v) == ("by@hand.s2p", -30.0, "B", 5.5)
    assert parse_against("sim.s2p").is_stated is False
    assert parse_against("sim.s2p@0").temperature_degc == 0.0
    odd = tmp_path / "odd@home.s2p"
    odd.write_text("")
    assert parse_against(str(odd)).path == odd
    for text in ("a.s2p@", "a.s2p@+25,-30", "a.s2p@A,B"):
        with pytest.raises(FileError, match="expected FILE@"):
            parse_against(text)


@pytest.mark.parametrize("text", ["95", "95/100", "0/90", "a/b", "95/90/80", "nan/90"])
def test_a_tolerance_is_two_percentages(text: str) -> None:
    with pytest.raises(FileError, match="coverage/confidence"):
        parse_tolerance(text)


def curve(hz: list[float], values: list[float], parameter: str = "p1db") -> Curve:
    unknown = np.full(len(hz), math.nan)
    return Curve(parameter, "", "dBm", "", "", ResultCondition(), np.array(hz), np.array(values), unknown)


def test_nothing_is_compared_beyond_the_ends_of_a_file() -> None:
    found = difference(curve([1e9, 2e9, 3e9, 4e9], [1.0, 2.0, 3.0, 4.0]), curve([1.5e9, 3e9], [0.0, 3.0]))
    assert found.hz.tolist() == [2e9, 3e9]
    assert found.values == pytest.approx([1.0, 0.0])
    assert found.left_out == 2


def test_a_phase_is_compared_along_its_turns_and_refused_where_they_cannot_be_counted() -> None:
    ours = curve([1e9, 1.5e9, 2e9], [170.0, -165.0, -130.0], PHASE)
    found = difference(ours, curve([1e9, 2e9], [150.0, -140.0], PHASE))
    assert found.values == pytest.approx([20.0, 10.0, 10.0])
    coarse = difference(ours, curve([1e9, 2e9], [0.0, 120.0], PHASE))
    assert coarse.values.size == 0
    assert "turns cannot be counted" in coarse.reason


def test_only_what_both_channels_share_cancels() -> None:
    """One meter for both cancels but for 1 - 0.9^2 of its variance; with two meters nothing does (JCGM 100, 5.2.2)."""
    lines = (Contribution("power meter accuracy", 0.2), Contribution("output path loss", 0.1))
    one = Result("p1db", 27.0, "dBm", "device output", expanded_uncertainty=Budget(lines).expanded, budget=lines)

    shared, _ = expanded_of_channels(one, one, ("power meter",))
    apart, _ = expanded_of_channels(one, one, ())

    assert apart == pytest.approx(2 * math.sqrt(2 * (0.2**2 + 0.1**2)))
    assert shared == pytest.approx(2 * math.sqrt(2 * (0.2**2 * (1 - 0.9**2) + 0.1**2)))


def test_a_unit_counts_once_with_its_latest_record() -> None:
    sources = [source_of("L07-W1-01", 27.0), source_of("L07-W1-01", 29.0, started_s=9.0), source_of("L07-W1-02", 28.0)]
    found = population_of(sources)
    assert found is not None
    row = found.tables[0].rows[0]
    assert (row.count, float(row.minimum), float(row.maximum)) == (2, 28.0, 29.0)
    assert any("latest record" in note for note in found.notes)


def test_one_unit_with_one_channel_is_no_population() -> None:
    assert population_of([source_of("L07-W1-01", 27.0)]) is None


def test_channels_of_one_unit_are_not_taken_for_parts() -> None:
    two = {ResultCondition(25.0, name, 6.0, 14e9): value for name, value in (("A", 27.0), ("B", 27.2))}
    assert population_of([source_of("L07-W1-01", two)]) is None, "two channels are a difference"
    where = {**two, ResultCondition(25.0, "C", 6.0, 14e9): 27.1}
    found = population_of([source_of("L07-W1-01", where, limits=[(26.0, math.nan)])], parse_tolerance("95/90"))
    assert found is not None
    row = found.tables[0].rows[0]
    assert row.count == 3
    assert "not independent parts" in row.tolerance
    assert "not independent parts" in row.capability


def test_capability_is_refused_for_few_units_and_for_different_limits() -> None:
    few = population_of([source_of(f"L07-W1-{n:02}", 27 + n / 100, limits=[(26.0, math.nan)]) for n in range(LEAST_UNITS - 1)])
    mixed = population_of([source_of(f"L07-W1-{n:02}", 27 + n / 100, limits=[(26.0 - n % 2, math.nan)]) for n in range(30)])
    assert few is not None
    assert mixed is not None
    assert few.tables[0].rows[0].capability == "refused: 24 units; at least 25 are needed, 100 for a study"
    assert "different limits" in mixed.tables[0].rows[0].capability


def test_absent_numbers_are_counted_and_never_in_the_mean() -> None:
    values = (27.0, math.nan, 28.0, 27.0, 28.0, 27.5)
    found = population_of([source_of(f"L07-W1-{place:02}", value) for place, value in enumerate(values)])
    assert found is not None
    row = found.tables[0].rows[0]
    assert (row.count, row.absent, float(row.mean)) == (5, 1, 27.5)


@pytest.mark.parametrize("units", [2, 4, 5])
def test_a_median_and_a_standard_deviation_are_told_from_five_units_on(units: int) -> None:
    """Of two units they are the two numbers once more, and read as if they told of a lot."""
    found = population_of([source_of(f"L07-W1-{place:02}", 27.0 + place / 10) for place in range(units)])
    assert found is not None
    row, summary = found.tables[0].rows[0], found.tables[0].summary
    assert (row.count, row.minimum, row.maximum != row.minimum) == (units, "27.00", True)
    is_told = units >= 5
    assert [bool(text) for text in (row.typical, row.mean, row.deviation, summary.deviation, summary.largest)] == [is_told] * 5
    assert found.has_spread is is_told
    assert ("neither typical value nor standard deviation" in found.notes[0]) is not is_told


def test_what_some_units_lack_is_not_made_up_for_by_the_rest() -> None:
    """Those without a number are often the worst: an interval from the others promises what nobody knows."""
    sources = [source_of(f"L07-W1-{number:02d}", 27.0 + number / 100, limits=[(26.0, 28.0)]) for number in range(1, 31)]
    sources.append(source_of("L07-W1-31", math.nan))
    population = population_of(sources, parse_tolerance("95/90"))
    assert population is not None
    (row,) = population.tables[0].rows
    assert (row.count, row.absent) == (30, 1)
    for told in (row.tolerance, row.capability):
        assert told == "refused: 1 of 31 have no number, and the rest is no sample of the lot"


def test_one_file_twice_for_one_condition_is_a_mistake(dice: list[Path], tmp_path: Path) -> None:
    """Its curves would lie on one another, and its differences count twice."""
    twice = (parse_against(f"{CSV}@+25"), parse_against(f"{CSV}@+25"))
    with pytest.raises(FileError, match="given twice"):
        write_report(dice[:1], tmp_path / "twice.html", ReportOptions(against=twice))


def test_records_at_different_planes_are_no_one_data_sheet() -> None:
    with pytest.raises(FileError, match=r"p1db: is at the plane 'probe tip'.*different planes"):
        check_comparable([source_of("L07-W1-01", 27.0), source_of("L07-W1-02", 27.0, plane="probe tip")])


@pytest.mark.parametrize("more", [lambda: parse_against("a@"), lambda: parse_tolerance("")])
def test_mistakes_of_the_command_line_are_mistakes_of_the_user(more: Callable[[], object]) -> None:
    with pytest.raises(FileError) as caught:
        more()
    assert caught.value.exit_code == 2
