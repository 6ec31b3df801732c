"""Transient trouble costs a ladder, not the night; what can't be verified ends safe, and what means harm is never tried again."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from benchkit.bench.load import Bench
from benchkit.campaign.resume import plan_resume
from benchkit.plan.files import load_both
from benchkit.record import Record
from benchkit.sequence.load import Sequence
from tests.recover.nights import PLACES, TRANSIENT, Night, Undisturbed, draw, night, undisturbed
from tests.scenario import BENCH, SHORT, changed

Scenario = tuple[Sequence, Bench]


@pytest.fixture(scope="module")
def short() -> Scenario:
    return load_both(SHORT, None)


@pytest.fixture(scope="module")
def truth(short: Scenario, tmp_path_factory: pytest.TempPathFactory) -> Undisturbed:
    return undisturbed(*short, tmp_path_factory.mktemp("undisturbed"))


def with_line(folder: Path, text: str) -> Scenario:
    """The short sequence with one more line at its end."""
    path = changed(SHORT, folder, ("expectations:\n", f"{text}\nexpectations:\n"))
    return load_both(path, BENCH)


def rows(found: Night, stream: str) -> list[dict[str, object]]:
    with Record.open(found.outcome.record) as record:
        return record.stream(stream).to_dict("records")


def events(found: Night, kind: str) -> str:
    return "".join(str(row["text"]) for row in rows(found, "events") if row["kind"] == kind).replace("……", "")


# Of readings only, for what has readings.
INSTRUMENTS = ("output_meter", "drain_supply", "rf_source", "detector_voltmeter")
WHERE = [(name, instrument) for instrument in INSTRUMENTS for name in TRANSIENT if instrument in PLACES[name]]


@pytest.mark.parametrize(("name", "instrument"), WHERE)
def test_one_fault_in_a_ladder_costs_that_ladder_and_nothing_else(
    short: Scenario, truth: Undisturbed, tmp_path: Path, name: str, instrument: str
) -> None:
    """Torn rows stay and are marked, the ladder is measured again from its start, and the numbers are those of a quiet night."""
    found = night(*short, (f"{name}:{instrument}@point 10",), truth, tmp_path)

    assert found.failures == ()
    assert found.is_complete
    assert found.again == 1
    assert [(row["ladder"], row["attempt"], row["status"]) for row in rows(found, "ladders")] == [
        (0, 1, "complete"), (1, 1, "torn"), (1, 2, "stopped"),
    ]  # fmt: skip


@pytest.mark.parametrize("moment", ["message 40", "message 70", "message 110", "message 140"])
def test_trouble_while_preparing_or_biasing_begins_that_again(
    short: Scenario, truth: Undisturbed, tmp_path: Path, moment: str
) -> None:
    """Half-way up is the worst place to be: down first, verified, and then up from unpowered."""
    found = night(*short, (f"reset:drain_supply@{moment}",), truth, tmp_path)

    assert found.failures == ()
    assert found.is_complete


@pytest.mark.parametrize("seed", range(6))
def test_three_at_once_complete_or_end_safe_and_are_resumed(
    short: Scenario, truth: Undisturbed, tmp_path: Path, seed: int
) -> None:
    """No wrong number, an empty ledger, and nothing that a second try tomorrow does not finish."""
    found = night(*short, draw(random.Random(seed), 3, truth.messages), truth, tmp_path)

    assert found.failures == ()
    if not found.is_complete:
        assert plan_resume(found.outcome.record).carry_out().outcome == "done"


def test_three_at_the_same_point_in_three_instruments(short: Scenario, truth: Undisturbed, tmp_path: Path) -> None:
    """A brown-out takes several instruments together; each is waited for, and set up anew."""
    faults = ("power-cycled:output_meter@point 10", "power-cycled:rf_source@point 10", "power-cycled:detector_voltmeter@point 10")
    found = night(*short, faults, truth, tmp_path)

    assert found.failures == ()
    assert found.is_complete
    text = events(found, "recovered")
    assert all(f"{name} was switched off and on" in text for name in ("output_meter", "rf_source"))


def test_a_meter_that_is_back_at_once_leaves_the_bias_standing(short: Scenario, truth: Undisturbed, tmp_path: Path) -> None:
    """A bias-up less is time, and one thermal cycle of the part less."""
    found = night(*short, ("reset:output_meter@point 10",), truth, tmp_path)

    assert "the bias stands, read back" in events(found, "recovered")
    assert [row["state"] for row in rows(found, "bias")] == ["biased", "unpowered"]


def test_a_supply_in_trouble_takes_the_bias_down_and_up_again(short: Scenario, truth: Undisturbed, tmp_path: Path) -> None:
    """What feeds the part and does not answer can't be believed; the record shows both bias-ups."""
    found = night(*short, ("reset:gate_supply@point 10",), truth, tmp_path)

    assert [row["state"] for row in rows(found, "bias")] == ["biased", "unpowered", "biased", "unpowered"]


def test_a_protection_that_tripped_is_not_tried_again(short: Scenario, truth: Undisturbed, tmp_path: Path) -> None:
    """The gate supply lost its mains and the drain's trip held the part: somebody has to look at it first."""
    found = night(*short, ("power-cycled:gate_supply@point 10",), truth, tmp_path)

    assert found.failures == ()
    assert found.outcome.outcome == "bench"
    assert found.again == 0
    assert "its protection has tripped" in events(found, "not recovered")


def test_a_limit_is_never_tried_again(short: Scenario, truth: Undisturbed, tmp_path: Path) -> None:
    """A second look at a part that is in danger is one look too many."""
    found = night(*short, ("dies@point 10",), truth, tmp_path)

    assert found.outcome.outcome in ("limit", "bench")
    assert found.again == 0


def test_a_bench_that_does_not_do_what_it_is_told_is_not_tried_again(
    short: Scenario, truth: Undisturbed, tmp_path: Path
) -> None:
    """Deafness is not a message that was lost."""
    found = night(*short, ("deaf:gate_supply@message 120",), truth, tmp_path)

    assert found.outcome.outcome == "bench"
    assert found.again == 0


def test_what_stays_away_ends_safe_and_says_for_how_long_it_was_waited_for(
    short: Scenario, truth: Undisturbed, tmp_path: Path
) -> None:
    """Unplugged is not transient; the bound is in the message, and where it is set."""
    found = night(*short, ("unplugged:output_meter@point 10",), truth, tmp_path)

    assert found.failures == ()
    assert found.outcome.exit_code == 3
    assert "within 30 s (kd14_short.yaml: recover.wait)" in events(found, "not recovered")


def test_attempts_are_bounded(truth: Undisturbed, tmp_path: Path) -> None:
    """A contact that breaks at every ladder is a broken contact."""
    scenario = with_line(tmp_path, "recover: {attempts: 1}")
    found = night(*scenario, ("late:output_meter@point 10", "reset:output_meter@point 15"), truth, tmp_path)

    assert found.failures == ()
    assert found.outcome.outcome == "bench"
    assert found.again == 1
    assert "which is the limit (kd14_short.yaml: recover.attempts)" in events(found, "not recovered")


def test_an_hour_is_bounded_too(truth: Undisturbed, tmp_path: Path) -> None:
    """Every ladder once, all night long, is no night to be believed."""
    scenario = with_line(tmp_path, "recover: {per_hour: 1}")
    found = night(*scenario, ("late:output_meter@point 2", "reset:output_meter@point 15"), truth, tmp_path)

    assert found.failures == ()
    assert "recover.per_hour" in events(found, "not recovered")


def test_it_can_be_switched_off(truth: Undisturbed, tmp_path: Path) -> None:
    """attempts: 0: the first trouble ends the run, as somebody at the bench may want it."""
    found = night(*with_line(tmp_path, "recover: {attempts: 0}"), ("late:output_meter@point 10",), truth, tmp_path)

    assert found.failures == ()
    assert found.outcome.outcome == "bench"
    assert found.again == 0
