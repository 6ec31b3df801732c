"""Done by the time that was said, back at idle included; what does not fit goes by priority, and is told."""

from __future__ import annotations

import json
import math
import os
import time
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.bench.load import Bench
from benchkit.campaign import CampaignOutcome, rehearse
from benchkit.campaign.resume import plan_resume
from benchkit.errors import FileError
from benchkit.plan import estimate, make_plan
from benchkit.plan.budget import TimeBudget
from benchkit.plan.files import load_both
from benchkit.record import Record
from benchkit.sequence.deadline import deadline_s
from benchkit.sequence.load import Sequence
from tests.scenario import BENCH, OVERNIGHT, SHORT, benchkit, changed

CHAMBER = (
    "conditions:\n",
    "conditions:\n  temperature: {values: [25 degC, 45 degC, 65 degC], idle: 25 degC,\n"
    "    soak: {tolerance: 1 K, in_tolerance_for: 60 s, at_most: 20 min}}\n",
)
LESS = ("  - kind: quiescent\n", "  - kind: quiescent\n    priority: 2\n")
EACH_WAY_S = 20 / 5 * 60  # 20 K at 5 K/min, as fast as the device may


def loaded(folder: Path, *changes: tuple[str, str]) -> tuple[Sequence, Bench]:
    return load_both(changed(SHORT, folder, CHAMBER, *changes), BENCH)


def budget_of(sequence: Sequence, bench: Bench) -> TimeBudget:
    return TimeBudget(make_plan(sequence.file), sequence.file, bench.file)


def rows(outcome: CampaignOutcome) -> list[tuple[float, int, str]]:
    with Record.open(outcome.record) as record:
        ladders = record.ladders().sort_values(["ladder", "attempt"])
    columns = (ladders[name].tolist() for name in ("temperature_set_degc", "measurement", "status"))
    return list(zip(*columns, strict=True))


def test_a_plan_that_fits_loses_nothing() -> None:
    """And the need is the estimate's, with the way back to idle on top."""
    sequence, bench = load_both(OVERNIGHT, None)
    budget = budget_of(sequence, bench)
    units = budget.all_units()
    plain_s = estimate(make_plan(sequence.file), sequence.file, bench.file).total_s

    assert budget.fit(units, 1e6).dropped == ()
    assert budget.need_s(units) > plain_s
    assert budget.need_s({}) == 0.0


@settings(deadline=None, max_examples=60)
@given(time_s=st.floats(0.0, 8000.0), priorities=st.tuples(st.integers(1, 9), st.integers(1, 9)), done=st.integers(0, 12))
def test_what_is_kept_fits_and_no_more_important_thing_goes_before_a_less_important_one(
    time_s: float, priorities: tuple[int, int], done: int
) -> None:
    """For any time, any priorities, and anything done already."""
    sequence, bench = load_both(OVERNIGHT, None)
    blocks = tuple(
        block.model_copy(update={"priority": priority})
        for block, priority in zip(sequence.file.measurements, priorities, strict=True)
    )
    file = sequence.file.model_copy(update={"measurements": blocks})
    budget = TimeBudget(make_plan(file), file, bench.file)
    left = dict(list(budget.all_units().items())[done:])
    fit = budget.fit(left, time_s)
    kept = {unit: count for unit, count in left.items() if unit not in fit.dropped}

    assert budget.need_s(kept) == pytest.approx(fit.kept_s)
    assert fit.kept_s <= time_s or not kept
    if fit.dropped and kept:
        highest_gone = max(priorities[unit[1]] for unit in fit.dropped)
        assert all(priorities[unit[1]] >= highest_gone for unit in kept)
        # No more than needed: with the one that went last it does not fit.
        assert budget.need_s({**kept, fit.dropped[-1]: left[fit.dropped[-1]]}) > time_s


def test_a_run_is_done_by_then_and_its_chamber_back_at_idle(tmp_path: Path) -> None:
    """The last temperature goes, since there is no time for it and the way back: told in the record and by the exit code."""
    sequence, bench = loaded(tmp_path)
    outcome = rehearse(sequence, bench, tmp_path / "night.h5", be_done_by="25 min")
    with Record.open(outcome.record) as record:
        events, chamber = record.events(), record.stream("chamber")
        took_s = float(events["time_s"].max() - record.attributes["started_s"])
        assert record.attributes["be_done_by"] == "25 min"

    assert (outcome.outcome, outcome.exit_code) == ("incomplete", 5)
    assert rows(outcome) == [
        (25.0, 0, "complete"), (25.0, 1, "stopped"), (45.0, 0, "complete"), (45.0, 1, "stopped"),
        (65.0, 0, "dropped"), (65.0, 1, "dropped"),
    ]  # fmt: skip
    assert chamber["set_degc"].max() == 45.0
    assert took_s + EACH_WAY_S <= 25 * 60
    assert (events["kind"] == "dropped").sum() == 2
    assert (tmp_path / "night.ledger.jsonl").read_text() == ""


def test_the_least_important_goes_first(tmp_path: Path) -> None:
    """Time for the important one and little more, after a slow one of low priority: it is measured at every temperature."""
    slow = ("    readings: 3\n", "    readings: 1000\n    priority: 2\n")
    sequence, bench = loaded(tmp_path, slow)
    budget = budget_of(sequence, bench)
    only_important = {unit: count for unit, count in budget.all_units().items() if unit[1] == 1}
    outcome = rehearse(sequence, bench, tmp_path / "night.h5", be_done_by=f"{budget.need_s(only_important) * 1.03:.0f} s")

    found = rows(outcome)
    assert [status in ("stopped", "complete") for _, measurement, status in found if measurement == 1] == [True] * 3
    assert "dropped" in [status for _, measurement, status in found if measurement == 0]


def test_what_was_dropped_is_absent_with_its_reason_and_resume_measures_it(tmp_path: Path) -> None:
    """A designer who reads the sheet must not take a missing number for a number that was never wanted."""
    sequence, bench = loaded(tmp_path)
    outcome = rehearse(sequence, bench, tmp_path / "night.h5", be_done_by="25 min")
    absent = [result for result in outcome.results if result.is_absent and result.condition.temperature_degc == 65.0]

    assert {"p1db", "quiescent_current"} <= {result.parameter for result in absent}
    assert all("be_done_by 25 min" in result.reason for result in absent)

    resumed = plan_resume(outcome.record).carry_out()

    assert resumed.outcome == "done"
    assert [result for result in resumed.results if result.parameter == "p1db" and result.is_absent] == []


def test_check_says_what_would_be_dropped(tmp_path: Path) -> None:
    """Found at five in the afternoon, not at half past seven in the morning."""
    path = changed(SHORT, tmp_path, CHAMBER, LESS)
    told = benchkit("check", path, "--bench", BENCH, "--be-done-by", "25min", cwd=tmp_path)
    data = json.loads(benchkit("check", path, "--bench", BENCH, "--be-done-by", "25min", "--json", cwd=tmp_path).stdout)

    assert "Would be dropped, in this order" in told.stdout
    dropped = data["time_budget"]["dropped"]
    assert [row["priority"] for row in dropped] == sorted(row["priority"] for row in dropped)
    assert data["time_budget"]["kept_s"] <= 25 * 60


def test_a_time_that_is_none_is_a_mistake_with_its_line(tmp_path: Path) -> None:
    """half past seven is none."""
    with pytest.raises(FileError, match=r"be_done_by.*expected a time of day such as 07:30, or how long"):
        loaded(tmp_path, ("  supply_voltage: 6 V", "  supply_voltage: 6 V\n  be_done_by: half past seven"))

    assert benchkit("check", SHORT, "--be-done-by", "25:00", cwd=tmp_path).returncode == 2


@pytest.mark.skipif(not hasattr(time, "tzset"), reason="this system sets no time zone for a process")
@pytest.mark.parametrize(
    ("now", "text", "expected"),
    [
        ("2026-01-05T18:00", "07:30", "2026-01-06T07:30"),
        ("2026-01-05T06:00", "07:30", "2026-01-05T07:30"),
        ("2026-01-05T07:30", "7:30", "2026-01-06T07:30"),
        # The night of the last Sunday in March, one hour shorter: it is the clock on the wall that counts.
        ("2026-03-28T18:00", "07:30", "2026-03-29T07:30"),
    ],
)
def test_a_time_of_day_is_the_next_one_on_the_clock_on_the_wall(
    monkeypatch: pytest.MonkeyPatch, now: str, text: str, expected: str
) -> None:
    """Local time, POSIX rules of central Europe (common practice, no source), also when the clocks change that night."""
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    try:
        found_s = deadline_s(text, datetime.fromisoformat(now).timestamp())
        assert datetime.fromtimestamp(found_s) == datetime.fromisoformat(expected)
        if now.startswith("2026-03"):
            assert found_s - datetime.fromisoformat(now).timestamp() == 12.5 * 3600
    finally:
        monkeypatch.undo()
        time.tzset()
    assert "TZ" not in os.environ or os.environ["TZ"]


def test_a_duration_counts_from_the_start() -> None:
    """However it is spelled."""
    assert deadline_s("9 h", 100.0) == pytest.approx(100.0 + 9 * 3600)
    assert math.isclose(deadline_s("90min", 0.0), 5400.0)


def test_a_resumed_run_is_done_by_then_too(tmp_path: Path) -> None:
    """Ten minutes at breakfast are no night: what does not fit is dropped again, counted from when it was resumed."""
    sequence, bench = loaded(tmp_path)
    outcome = rehearse(sequence, bench, tmp_path / "night.h5", be_done_by="25 min")
    assert outcome.outcome == "incomplete"

    short = plan_resume(outcome.record).carry_out(be_done_by="1 min")
    assert (short.outcome, short.exit_code) == ("incomplete", 5)
    # Once in the night, and once more when it was resumed.
    assert rows(short)[-4:] == [(65.0, 0, "dropped")] * 2 + [(65.0, 1, "dropped")] * 2

    assert plan_resume(outcome.record).carry_out(be_done_by="2 h").outcome == "done"
