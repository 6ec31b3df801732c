"""Promise: a drift of the bench is seen between numbers: it marks them, zeroes the meter or ends the run, as is asked."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.campaign import CampaignOutcome, rehearse
from benchkit.campaign.compare import compare_files
from benchkit.campaign.compare_text import text_lines
from benchkit.campaign.resume import plan_resume
from benchkit.campaign.returns import Return, returns_of
from benchkit.campaign.setup import setup_of
from benchkit.campaign.visits import hysteresis, without_visit
from benchkit.errors import ConditionError, LimitError
from benchkit.plan.files import load_both
from benchkit.plan.order import shortest, way_k
from benchkit.record import Record, export_csv
from benchkit.report import export_datasheet, export_figures, write_report
from sim_instruments.faults.drift import SHIFT_DB
from tests.scenario import ROOT, benchkit, changed

SENTINEL = ROOT / "sequences" / "kd14_sentinel.yaml"
FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
SHORTER = (
    ("values: [25 degC, 70 degC, -30 degC, 25 degC]", "values: [25 degC, 40 degC, 25 degC]"),
    ("frequency: [13.875 GHz, 14.125 GHz, 14.375 GHz]", "frequency: 14.125 GHz"),
    ("bench: benches/kd14_full.yaml\n", ""),
)
# The way to 40 degC and back leaves the die a little off: some hundredths of a decibel, and more than this.
TIGHT = ("gain_drift_max: 0.1 dB", "gain_drift_max: 0.004 dB")


def carried_out(folder: Path, *changes: tuple[str, str], faults: tuple[str, ...] = ()) -> CampaignOutcome:
    path = changed(SENTINEL, folder, *SHORTER, *changes)
    return rehearse(*load_both(path, FULL), folder / "record.h5", faults=faults)


def readings(outcome: CampaignOutcome) -> pd.DataFrame:
    with Record.open(outcome.record) as record:
        return record.stream("sentinel")


def ledger(outcome: CampaignOutcome) -> list[object]:
    text = outcome.record.with_suffix(".ledger.jsonl").read_text(encoding="utf-8")
    return [json.loads(line) for line in text.splitlines()]


@pytest.fixture(scope="module")
def steady(tmp_path_factory: pytest.TempPathFactory) -> CampaignOutcome:
    return carried_out(tmp_path_factory.mktemp("steady"))


def test_it_is_measured_at_the_beginning_the_end_and_the_return(steady: CampaignOutcome) -> None:
    rows = readings(steady)
    assert (steady.outcome, ledger(steady)) == ("done", [])
    assert list(zip(rows["visit"], rows["occasion"], rows["status"], strict=True)) == [
        (1, "begin", "reference"), (1, "end", "held"), (1, "begin", "reference"), (1, "end", "held"),
        (2, "return", "held"), (2, "end", "held"),
    ]  # fmt: skip
    assert (rows["gain_scatter_db"] < 0.03).all()


def test_it_is_measured_again_when_its_interval_has_passed(tmp_path: Path) -> None:
    outcome = carried_out(tmp_path, ("every: 10 min", "every: 10 ms"))
    assert "interval" in set(readings(outcome)["occasion"])


def test_a_return_gives_results_of_its_own_and_a_difference(steady: CampaignOutcome, tmp_path: Path) -> None:
    """A mean of both visits would hide what the return is made for."""
    p1db = {one.qualifier: one for one in steady.results if one.parameter == "p1db" and one.condition.temperature_degc == 25.0}
    assert set(p1db) == {"", "visit 2"}
    pairs = [(first, last) for first, last in hysteresis(steady.results) if first.parameter == "p1db"]
    assert [(first, last) for first, last in pairs] == [(p1db[""], p1db["visit 2"])]
    assert not [one for one in steady.results if one.note]
    page = write_report([steady.record], tmp_path / "page.html").read_text(encoding="utf-8")
    for told in ("Drift and return", "The sentinel held", "Return to a temperature", "Sentinel: gain less its reference"):
        assert told in page


def test_both_visits_survive_in_the_record(steady: CampaignOutcome) -> None:
    """Keys of results, that compare and repeat go by, must not collide."""
    with Record.open(steady.record) as record:
        keys = [(one.measurement, one.parameter, one.qualifier, one.condition) for one in record.results()]
    assert len(keys) == len(set(keys))


def test_a_drift_marks_what_was_measured_meanwhile(tmp_path: Path) -> None:
    """The number stays, and everybody who meets it is told."""
    outcome = carried_out(tmp_path, TIGHT)
    rows = readings(outcome)
    assert outcome.outcome == "done"
    assert "drifted" in set(rows["status"])
    noted = [one for one in outcome.results if one.note]
    assert noted
    # Found at the return: it can't be told when it came, so that all since the first visit is in doubt, and that visit is not.
    assert {(one.condition.temperature_degc, without_visit(one.qualifier)[1]) for one in noted} == {(40.0, 1), (25.0, 2)}
    assert all(one.note for one in outcome.results if one.condition.temperature_degc == 40.0)
    with Record.open(outcome.record) as record:
        assert (record.events()["kind"] == "sentinel drift").any()
        assert [one.note for one in record.results()] == [one.note for one in outcome.results]
    assert f"{len(noted)} of {len(outcome.results)} results" in write_report([outcome.record], tmp_path / "page.html").read_text()


def test_a_drift_zeroes_the_meter_where_that_is_asked_and_no_more_than_once(tmp_path: Path) -> None:
    outcome = carried_out(tmp_path, TIGHT, ("on_drift: mark", "on_drift: re-zero"))
    rows = readings(outcome)
    assert outcome.outcome == "done"
    assert (rows["occasion"] == "after zero").sum() == 1
    with Record.open(outcome.record) as record:
        events = record.events()
    assert (events["kind"] == "zeroing").sum() == 1
    assert events["text"].str.contains("did not bring it back").any()


def test_a_drift_ends_the_run_where_that_is_asked_and_whoever_resumes_is_not_stopped_again(tmp_path: Path) -> None:
    """A changed part could never be gone on with otherwise."""
    outcome = carried_out(tmp_path, TIGHT, ("on_drift: mark", "on_drift: stop"))
    assert isinstance(outcome.error, ConditionError)
    assert (outcome.exit_code, outcome.make_safe, ledger(outcome)) == (3, "", [])
    assert "on_drift: stop" in outcome.message

    resumed = plan_resume(outcome.record).carry_out()
    assert resumed.outcome == "done", resumed.message
    assert {one.qualifier for one in resumed.results if one.parameter == "p1db"} >= {"", "visit 2"}


def test_the_walls_hold_for_its_readings_too(tmp_path: Path) -> None:
    """It drives the device: a part that oscillates in its reading ends the run like any other."""
    outcome = carried_out(tmp_path, faults=("oscillates@0 s",))
    assert outcome.exit_code in (3, 4)
    assert (outcome.make_safe, [entry for entry in ledger(outcome) if not entry.get("by")]) == ("", [])  # type: ignore[attr-defined]


def test_a_device_that_drifts_is_waited_for_and_never_longer_than_stated(tmp_path: Path) -> None:
    """10 uA/min is less than this part ever shows within half an hour: the error says by how much it drifts."""
    outcome = carried_out(
        tmp_path, ("quiescent_drift_max: 50 uA/min", "quiescent_drift_max: 1 uA/min"), ("at_most: 90 min", "at_most: 10 min")
    )
    assert outcome.exit_code == 3
    assert "its quiescent current drifts by" in outcome.message
    assert "1 uA/min counts as still" in outcome.message
    assert (outcome.make_safe, ledger(outcome)) == ("", [])


def test_a_soak_by_the_device_itself_takes_longer_than_by_the_air_alone(tmp_path: Path, steady: CampaignOutcome) -> None:
    device = "      device:\n        quiescent_drift_max: 50 uA/min\n        over: 2 min\n"
    without = carried_out(tmp_path, (device, ""), ("      drift_max: 0.2 K/min\n", ""))

    def soaks(outcome: CampaignOutcome) -> list[str]:
        with Record.open(outcome.record) as record:
            events = record.events()
        return [text for text in events.loc[events["kind"] == "soaked", "text"] if "+40" in text]

    assert "uA/min" in soaks(steady)[0]
    minutes = [float(soaks(one)[0].partition(" in ")[2].partition(" min")[0]) for one in (without, steady)]
    assert minutes[0] < minutes[1]


def test_the_sentinels_gain_tells_as_well_whether_the_device_has_settled(tmp_path: Path) -> None:
    """What the measurement is about: gain that still drifts is in every number of a ladder that begins too early."""
    by_gain = ("quiescent_drift_max: 50 uA/min", "gain_drift_max: 0.01 dB/min")
    settled = carried_out(tmp_path / "settled", by_gain)
    assert (settled.outcome, ledger(settled)) == ("done", [])
    with Record.open(settled.record) as record:
        events, gains = record.events(), record.stream("sentinel")
    told = events.loc[events["kind"] == "soaked", "text"]
    rates = [float(text.partition("uA/min, ")[2].partition(" dB/min")[0]) for text in told]
    assert rates
    assert all(abs(rate) <= 0.01 for rate in rates)
    assert gains["drift_db"].abs().max() < 0.1

    never = carried_out(
        tmp_path / "never", (by_gain[0], "gain_drift_max: 0.00001 dB/min"), ("at_most: 90 min", "at_most: 10 min")
    )
    assert never.exit_code == 3
    assert "its gain drifts by" in never.message
    assert "1e-05 dB/min counts as still" in never.message


TEMPERATURES = st.lists(st.integers(-60, 130), min_size=1, max_size=5, unique=True).map(lambda values: tuple(map(float, values)))


@settings(max_examples=200, deadline=None)
@given(visits=TEMPERATURES, start=st.integers(-60, 130), idle=st.integers(-60, 130), waits=st.booleans())
def test_no_other_order_of_temperatures_is_shorter(visits: tuple[float, ...], start: int, idle: int, waits: bool) -> None:
    """Against every order there is."""

    def length(order: tuple[float, ...]) -> float:
        return way_k(float(start), (*order, float(idle)) if waits else order)

    found = shortest(visits, float(start), float(idle), waits_for_idle=waits)
    assert sorted(found) == sorted(visits)
    assert length(found) == min(map(length, itertools.permutations(visits)))


def test_a_return_stays_first_and_last() -> None:
    assert shortest((25.0, 70.0, -30.0, 25.0), 25.0, 25.0, waits_for_idle=False) == (25.0, -30.0, 70.0, 25.0)


def test_check_shows_the_order_and_the_sentinel(tmp_path: Path) -> None:
    said = benchkit("check", SENTINEL, cwd=tmp_path)
    assert said.returncode == 0, said.stderr
    assert "sentinel" in said.stdout


def p1db_returns(outcome: CampaignOutcome) -> list[Return]:
    with Record.open(outcome.record) as record:
        setup, points, ladders = setup_of(record), record.points(), record.ladders()
    return [one for one in returns_of(setup, outcome.results, points, ladders) if one.first.parameter == "p1db"]


@pytest.fixture(scope="module")
def shifted(tmp_path_factory: pytest.TempPathFactory) -> CampaignOutcome:
    """0.4 dB more output path from when the second condition is biased."""
    return carried_out(tmp_path_factory.mktemp("shifted"), faults=("path-shifts@point 30",))


def test_a_connector_that_was_touched_is_found_before_the_condition_ends(shifted: CampaignOutcome) -> None:
    """And what was measured before it was touched is in no doubt."""
    rows = readings(shifted)
    drifted = rows[rows["status"] == "drifted"]
    assert (shifted.outcome, ledger(shifted)) == ("done", [])
    assert [*zip(drifted["visit"], drifted["occasion"], strict=True)] == [(1, "end"), (2, "return"), (2, "end")]
    assert drifted["drift_db"].iloc[0] == pytest.approx(-SHIFT_DB, abs=0.02)
    first = [one for one in shifted.results if not one.qualifier.endswith("visit 2")]
    assert {(one.condition.temperature_degc, bool(one.note)) for one in first} == {(25.0, False), (40.0, True)}


def test_the_difference_of_a_return_is_what_the_bench_has_become(steady: CampaignOutcome, shifted: CampaignOutcome) -> None:
    """The truth is the fault's own number; paths and meter, common to both visits, are no part of its uncertainty."""
    (before,), (after,) = p1db_returns(steady), p1db_returns(shifted)
    assert after.difference - before.difference == pytest.approx(-SHIFT_DB, abs=0.05)
    assert abs(before.difference) < before.expanded_uncertainty < abs(after.difference)
    assert before.expanded_uncertainty < before.first.expanded_uncertainty
    assert after.visit == 2


def test_everybody_who_meets_a_marked_number_is_told(shifted: CampaignOutcome, steady: CampaignOutcome, tmp_path: Path) -> None:
    with Record.open(shifted.record) as record:
        export_csv(record, tmp_path / "csv")
        assert record.results_table()["note"].astype(bool).sum() > 0
    noted = pd.read_csv(tmp_path / "csv" / "results.csv")["note"].notna().sum()
    assert noted == sum(bool(one.note) for one in shifted.results)
    export_datasheet([shifted.record], tmp_path / "sheet")
    assert " marked" in (tmp_path / "sheet" / "datasheet.md").read_text(encoding="utf-8").split("## ", 1)[1]
    comparison = compare_files(steady.record, shifted.record)
    assert sum(bool(row.doubt) for row in comparison.rows) > 0
    assert any("MARKED (second: the sentinel" in line for line in text_lines(comparison, every_row=True))


def test_both_visits_are_lines_of_their_own_in_every_plot(steady: CampaignOutcome, tmp_path: Path) -> None:
    """One line through both visits' points would go back and forth."""
    export_figures(steady.record, tmp_path)
    drawn = (tmp_path / "power-sweep-gain-14.125-ghz.svg").read_text(encoding="utf-8")
    assert drawn.count("+25 °C, channel A") == 2
    assert "+25 °C, channel A, visit 2" in drawn


def test_a_zero_that_has_moved_is_put_right_by_zeroing(tmp_path: Path) -> None:
    """What was measured with it stays marked; what follows is as good as ever."""
    outcome = carried_out(tmp_path, ("on_drift: mark", "on_drift: re-zero"), faults=("zero-shifts@point 30",))
    rows = readings(outcome)
    assert (outcome.outcome, ledger(outcome)) == ("done", [])
    assert list(rows["status"]) == ["reference", "held", "reference", "drifted", "held", "held", "held"]
    assert rows["occasion"].iloc[4] == "after zero"
    assert {one.condition.temperature_degc for one in outcome.results if one.note} == {40.0}


def test_a_shift_ends_the_run_where_that_is_asked_and_the_next_visit_is_held_against_the_first(tmp_path: Path) -> None:
    """The reference is the first night's, found in the record; what the first part marked stays marked."""
    outcome = carried_out(tmp_path, ("on_drift: mark", "on_drift: stop"), faults=("path-shifts@point 30",))
    assert (outcome.exit_code, outcome.make_safe, ledger(outcome)) == (3, "", [])
    assert "gain -0.39" in outcome.message or "gain -0.40" in outcome.message
    reference_db = readings(outcome)["gain_db"].iloc[0]

    resumed = plan_resume(outcome.record).carry_out()
    rows = readings(resumed)
    assert resumed.outcome == "done", resumed.message
    last = rows[rows["occasion"] == "return"].iloc[-1]
    assert (last["visit"], last["status"]) == (2, "held"), "the twin is mended, and so is the number"
    assert last["drift_db"] == pytest.approx(last["gain_db"] - reference_db, abs=1e-9)
    assert {one.condition.temperature_degc for one in resumed.results if one.note} == {40.0}


def test_a_limit_holds_for_the_readings_of_the_sentinel(tmp_path: Path) -> None:
    """It is driven like a point: 10 dB too much from the source ends the run at its reading, and the reading is on record."""
    outcome = carried_out(
        tmp_path, ("output_power_max: 31 dBm", "output_power_max: 14 dBm"), ("gain_max: 29 dB", "gain_max: 26 dB"),
        ("drive: {from: -12 dBm, to: 9 dBm, step: 1 dB}", "drive: {from: -25 dBm, to: -16 dBm, step: 3 dB}"),
        faults=("level-runaway@condition 1",),  # past the source's own limit, which is as tight as this plan
    )  # fmt: skip
    assert isinstance(outcome.error, LimitError)
    assert (outcome.exit_code, outcome.make_safe, ledger(outcome)) == (4, "", [])
    rows = readings(outcome)
    assert list(rows["status"]) == ["tripped"]
    assert rows["output_dbm"].iloc[0] > 14.0


@settings(max_examples=100, deadline=None)
@given(visits=TEMPERATURES, first=st.integers(131, 150))
def test_between_a_return_no_other_order_is_shorter(visits: tuple[float, ...], first: int) -> None:
    """Against every order of what lies between the two visits."""
    degc = float(first)
    found = shortest((degc, *visits, degc), 25.0, 25.0, waits_for_idle=False)
    assert (found[0], found[-1]) == (degc, degc)
    assert way_k(degc, found) == min(way_k(degc, (*order, degc)) for order in itertools.permutations(visits))
