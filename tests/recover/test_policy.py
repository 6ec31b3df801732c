"""What a failure does is the sequence's to say: what failed alone stops no night, and what is missing is told everywhere."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import replace
from pathlib import Path
from typing import Any, ClassVar

import pytest

from benchkit.campaign import CampaignOutcome, rehearse
from benchkit.campaign.resume import plan_resume
from benchkit.errors import MeasurementError
from benchkit.measurements.base import Ladder, MeasurementBlock, Reading, Station
from benchkit.plan.files import load_both
from benchkit.record import Record
from benchkit.sequence.load import Sequence
from tests.scenario import BENCH, SHORT, changed

BOTH = ("  channels: [A]\n", "  channels: [A, B]\n")
CHAMBER = (
    "conditions:\n",
    "conditions:\n  temperature: {values: [25 degC, 40 degC], idle: 25 degC, on_failure: skip temperature,\n"
    "    soak: {tolerance: 1 K, in_tolerance_for: 60 s, at_most: 20 min}}\n",
)


class Failing(MeasurementBlock):
    """Reads one point, and then finds nothing to report."""

    needs: ClassVar[frozenset[str]] = frozenset()

    def ladders(self) -> Any:
        yield Ladder(0, float("nan"), ())

    def ladder_count(self) -> int:
        return 1

    def point_count(self) -> int:
        return 1

    def frequency_span_hz(self) -> None:
        return None

    def drive_span_dbm(self) -> None:
        return None

    def measure(self, ladder: Ladder, station: Station) -> Generator[Reading, None, str]:
        yield station.read()
        raise MeasurementError("the product is below the noise")

    def summarise(self, points: Any) -> list[Any]:
        return []

    def figures(self, points: Any, results: Any) -> list[Any]:
        return []


def rehearsed(folder: Path, policy: str) -> tuple[Sequence, CampaignOutcome]:
    """Quiescent, a measurement that fails, power sweep; both channels."""
    sequence, bench = load_both(changed(SHORT, folder, BOTH), BENCH)
    first, last = sequence.file.measurements
    failing = Failing(kind="failing", on_failure=policy)
    sequence = replace(sequence, file=sequence.file.model_copy(update={"measurements": (first, failing, last)}))
    return sequence, rehearse(sequence, bench, folder / "night.h5")


def statuses(outcome: CampaignOutcome) -> list[str]:
    with Record.open(outcome.record) as record:
        return [str(status) for status in record.ladders().sort_values(["ladder", "attempt"])["status"]]


def texts(outcome: CampaignOutcome, kind: str) -> str:
    with Record.open(outcome.record) as record:
        events = record.events()
    return " ".join(events.loc[events["kind"] == kind, "text"])


def test_what_fails_alone_does_not_stop_the_night(tmp_path: Path) -> None:
    """Everything else is measured; the ladder is marked failed; the exit code says that not all is there."""
    _, outcome = rehearsed(tmp_path, "carry on")

    assert statuses(outcome) == ["complete", "failed", "stopped"] * 2
    assert (outcome.outcome, outcome.exit_code) == ("incomplete", 5)
    assert "2 failed" in outcome.message
    assert "the product is below the noise" in texts(outcome, "measurement failed")
    assert {result.parameter for result in outcome.results} >= {"quiescent_current", "p1db"}


def test_skip_condition_skips_the_rest_of_that_condition_only(tmp_path: Path) -> None:
    """The next channel is measured as if nothing had happened there."""
    _, outcome = rehearsed(tmp_path, "skip condition")

    assert statuses(outcome) == ["complete", "failed", "skipped"] * 2
    assert outcome.exit_code == 5


def test_stop_stops(tmp_path: Path) -> None:
    """Safe, sealed, and to be resumed."""
    _, outcome = rehearsed(tmp_path, "stop")

    assert outcome.outcome == "bench"
    assert outcome.make_safe == ""
    assert statuses(outcome) == ["complete", "failed"]


def test_a_quiescent_current_that_is_not_met_may_skip_the_condition(tmp_path: Path) -> None:
    """By the sequence's own word; the part is unpowered before the next one, and each ladder says why it is missing."""
    policy = ("  supply_voltage: 6 V", "  supply_voltage: 6 V\n  on_failure: skip condition")
    changes = (BOTH, ("gate_to: -0.3 V", "gate_to: -1.5 V"), policy)
    outcome = rehearse(*load_both(changed(SHORT, tmp_path, *changes), BENCH), tmp_path / "night.h5")

    assert (outcome.outcome, outcome.exit_code) == ("incomplete", 5)
    assert statuses(outcome) == ["skipped"] * 4
    assert "quiescent current" in texts(outcome, "condition skipped")
    assert (tmp_path / "night.ledger.jsonl").read_text() == ""


def test_by_default_it_stops(tmp_path: Path) -> None:
    """A part that can't be biased is more likely wrong than unlucky."""
    outcome = rehearse(
        *load_both(changed(SHORT, tmp_path, BOTH, ("gate_to: -0.3 V", "gate_to: -1.5 V")), BENCH), tmp_path / "night.h5"
    )

    assert outcome.outcome == "bench"


def test_a_temperature_that_is_not_reached_is_skipped_and_measured_when_resumed(tmp_path: Path) -> None:
    """A chamber that sticks at night costs its temperature; its numbers are absent with the reason, until resume has them."""
    loaded = load_both(changed(SHORT, tmp_path, CHAMBER), BENCH)
    outcome = rehearse(*loaded, tmp_path / "night.h5", faults=("chamber-stuck@condition 1",))

    assert (outcome.outcome, outcome.exit_code) == ("incomplete", 5)
    assert statuses(outcome) == ["complete", "stopped", "skipped", "skipped"]
    absent = [result for result in outcome.results if result.is_absent and result.condition.temperature_degc == 40.0]
    assert {"p1db", "quiescent_current"} <= {result.parameter for result in absent}
    assert all("not measured: skipped" in result.reason for result in absent)

    resumed = plan_resume(outcome.record).carry_out()

    assert resumed.outcome == "done"
    assert [one for one in resumed.results if one.parameter == "p1db" and one.is_absent] == []
    assert len([one for one in resumed.results if one.parameter == "p1db"]) == 2


@pytest.mark.parametrize("fault", ["reset:chamber@30 s", "power-cycled:chamber@100 s", "late:chamber@point 20"])
def test_a_chamber_in_trouble_is_told_again_where_to_go(tmp_path: Path, fault: str) -> None:
    """One that lost its mains forgot it; what is measured then is measured after a soak anew."""
    loaded = load_both(changed(SHORT, tmp_path, CHAMBER), BENCH)
    outcome = rehearse(*loaded, tmp_path / "night.h5", faults=(fault,))

    assert outcome.outcome == "done", outcome.message
    assert (tmp_path / "night.ledger.jsonl").read_text() == ""
    with Record.open(outcome.record) as record:
        assert (record.events()["kind"] == "recovered").any()
        points = record.points()
    assert (abs(points["chamber_degc"] - points["temperature_set_degc"]) < 1.5).all()
