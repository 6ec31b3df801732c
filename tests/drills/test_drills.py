"""What goes wrong, goes wrong where and when it was told to; and no drill of a shipped sequence harms the device."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

import benchkit
from benchkit.bench.load import Bench
from benchkit.campaign import rehearse
from benchkit.campaign.faults import COMPUTER_FAULTS
from benchkit.drill import carry_out, offers
from benchkit.drill.moments import Reference, draw
from benchkit.drill.offer import chosen
from benchkit.drill.one import take_reference
from benchkit.envelope import needs, prove
from benchkit.fault_text import parse_fault
from benchkit.plan.files import load_both
from benchkit.sequence.load import Sequence
from sim_instruments.faults import FAULTS, REACTION_S
from tests.drills.conftest import Drill
from tests.scenario import BENCH, OVERNIGHT, SHORT, changed
from tests.scenario import benchkit as run_benchkit

Night = tuple[Sequence, Bench, Reference]

OF_CHAMBER = ("chamber-stuck", "chamber-overshoot", "chamber-runaway", "door-open")
# In the middle of the drive ladder.
CAUGHT = {
    "current-limit": "instrument protection",
    "gate-lost": "instrument protection",
    "dies": "instrument protection",
    "thermal-runaway": "instrument protection",
    "level-jump": "reading wall",
    "level-runaway": "reading wall",
    "oscillates": "reading wall",
    "path-loose": "reading wall",
    "repeats": "reading wall",
    "deaf": "read back",
    "garbage": "reply refused",
    "silent": "link",
    "late": "retried",
    "half-answer": "retried",
    "reset": "retried",
    "unplugged": "link",
    "power-cycled": "retried",
    "restarts": "retried",
    "restarts:rf_source": "retried",
    "disk-full": "record",
    "no-number:drain_supply": "reading wall",
    "garbage:gate_supply": "reply refused",
    "silent:drain_supply": "link",
    "silent:rf_source": "link",
    "unplugged:drain_supply": "link",
    "power-cycled:gate_supply": "instrument protection",
    "power-cycled:drain_supply": "retried",
    "power-cycled:rf_source": "retried",
    "clock-jump": "harmless",
    "drifts": "harmless",
    "path-shifts": "harmless",
    "zero-shifts": "harmless",
}


@pytest.mark.parametrize(("fault", "wall"), CAUGHT.items())
def test_a_fault_under_drive_is_caught_by_the_wall_made_for_it(drill_one: Drill, fault: str, wall: str) -> None:
    """And the ledger stays empty, the record opens with every acknowledged point, and nobody is told that it is safe if not."""
    row = drill_one(f"{fault}@point 10")

    assert row.failures == ()
    assert row.came
    assert row.caught_by == wall
    if row.reaction_s is not None:
        assert row.reaction_s < REACTION_S


def test_every_fault_there_is_has_a_drill_here() -> None:
    """A new fault belongs in the table above, or to the chamber."""
    drilled = {name.partition(":")[0] for name in CAUGHT} | set(OF_CHAMBER) | {"stuck-on", "no-number"}

    assert drilled == set(FAULTS) | set(COMPUTER_FAULTS)


def test_an_output_that_will_not_go_off_is_told_or_taken_to_zero(drill_one: Drill) -> None:
    """A drain whose switch has welded is at 0 V at the end of a run; cut short, the person is told which one to switch off."""
    assert drill_one("stuck-on:drain_supply@point 10").failures == ()


def test_a_gate_that_stays_on_is_told_though_its_drain_is_off(tmp_path: Path) -> None:
    """The supply says that it is off; whoever takes the part out of its fixture then holds a charged lead."""
    outcome = rehearse(*load_both(SHORT, None), tmp_path / "gate.h5", faults=("stuck-on:gate_supply@point 10",))

    assert outcome.exit_code == 3
    for told in ("gate A gone", "gate_supply output 1", "reads -2.5 V", "mains switch"):
        assert told in outcome.make_safe


def test_several_faults_at_once(tmp_path: Path) -> None:
    """Trouble seldom comes alone: the gate goes while the meter is silent."""
    outcome = rehearse(
        *load_both(SHORT, None), tmp_path / "two.h5", faults=("silent:output_meter@point 10", "gate-lost@point 10")
    )

    assert outcome.outcome in ("bench", "limit")
    assert '"by"' in (tmp_path / "two.ledger.jsonl").read_text() or (tmp_path / "two.ledger.jsonl").read_text() == ""


def test_a_full_disk_keeps_every_acknowledged_point_and_says_that_the_part_is_safe(tmp_path: Path) -> None:
    """The one line a person reads at eight must not be about the disk alone."""
    outcome = rehearse(*load_both(SHORT, None), tmp_path / "full.h5", faults=("disk-full@point 10",))

    assert outcome.outcome == "bench"
    assert outcome.exit_code == 3
    assert outcome.make_safe == ""
    assert "No space left" in outcome.message
    with benchkit.open_record(outcome.record) as record:
        assert not record.is_sealed
        assert len(record.points()) == 10


def test_a_clock_set_back_neither_stops_the_run_nor_changes_a_number(tmp_path: Path) -> None:
    """Only monotonic time decides anything; the time of day is for people."""
    sequence, bench = load_both(SHORT, None)
    plain = rehearse(sequence, bench, tmp_path / "plain.h5")
    jumped = rehearse(sequence, bench, tmp_path / "jumped.h5", faults=("clock-jump@point 10",))

    assert [result.value for result in jumped.results] == [result.value for result in plain.results]


@pytest.fixture(scope="session")
def night(tmp_path_factory: pytest.TempPathFactory) -> Night:
    """The overnight campaign, shortened: two temperatures, both channels, two frequencies."""
    folder = tmp_path_factory.mktemp("night")
    path = changed(
        OVERNIGHT,
        folder,
        ("values: [25 degC, -30 degC, 70 degC]", "values: [25 degC, -10 degC]"),
        ("in_tolerance_for: 10 min", "in_tolerance_for: 2 min"),
        ("drift_max: 0.1 K/min", "drift_max: 0.5 K/min"),
        ("{from: 13.75 GHz, to: 14.5 GHz, step: 125 MHz}", "[13.75 GHz, 14.125 GHz]"),
        ("{from: -20 dBm, to: 9 dBm, step: 1 dB}", "{from: -11 dBm, to: 9 dBm, step: 2 dB}"),
        ("temperature: [25 degC, 70 degC]", "temperature: 25 degC"),
        ("temperature: -30 degC", "temperature: -10 degC"),
    )
    sequence, bench = load_both(path, BENCH)
    return sequence, bench, take_reference(sequence, bench, folder, "L07-W1-01", 1)


@pytest.mark.parametrize(
    ("fault", "wall"),
    [
        ("chamber-stuck@condition 2", "condition"),
        ("chamber-overshoot@60 s", "condition"),
        ("chamber-runaway@condition 2", "reading wall"),
        ("door-open@condition 2", "condition"),
        ("silent:chamber@condition 3", "link"),
        ("dies@condition 3", "instrument protection"),
    ],
)
def test_a_fault_by_night_is_caught_and_the_chamber_comes_home(night: Night, tmp_path: Path, fault: str, wall: str) -> None:
    """Air that does not go where it is sent, or goes on and on: the part is not measured at a temperature it has not."""
    sequence, bench, without = night

    row = carry_out(sequence, bench, parse_fault(fault), without, tmp_path, "L07-W1-01", 1)

    assert row.failures == ()
    assert row.caught_by == wall


@pytest.mark.parametrize("name", [name for name in (*FAULTS, *COMPUTER_FAULTS) if name not in OF_CHAMBER])
def test_any_fault_at_any_moment_of_the_short_sequence(
    short: tuple[Sequence, Bench], reference: Reference, drill_one: Drill, name: str
) -> None:
    """A moment of each here, in whichever instrument the seed says; `benchkit drill` does twenty."""
    sequence, bench = short
    used = [need.instrument for need in needs(prove(sequence, bench).plan, sequence.file, bench.file)]
    (offer,) = chosen(offers(bench), [name])
    (text,) = draw(offer, reference, used, 1, 11)

    assert drill_one(str(text)).failures == ()


def test_where_all_is_done_before_the_first_condition_faults_come_at_times(short: tuple[Sequence, Bench]) -> None:
    """Paths have no points, and a disk that is full can't wait for a message."""
    nothing = Reference(duration_s=40.0, messages=100, points=0, results={})
    for name in ("disk-full", "level-jump"):
        (offer,) = chosen(offers(short[1]), [name])
        texts = [str(text) for text in draw(offer, nothing, ["rf_source"], 2, 11)]
        assert len(texts) == 2
        assert not any("point" in text for text in texts)


def test_the_verb_prints_the_table_and_its_exit_code_is_the_verdict(tmp_path: Path) -> None:
    """One line for each fault; nothing charged, exit code 0."""
    arguments = ("drill", SHORT, "--fault", "gate-lost", "--fault", "late", "--instants", "1", "--jobs", "2")
    done = run_benchkit(*arguments, cwd=tmp_path)

    assert done.returncode == 0, done.stderr
    assert "gate-lost" in done.stdout
    assert "every ledger is empty" in done.stdout


def test_rehearse_says_what_became_of_the_fault(tmp_path: Path) -> None:
    """When it came, when it was seen, how soon nothing was energised."""
    done = run_benchkit("rehearse", SHORT, "--fault", "gate-lost@point 10", "--out", tmp_path / "r.h5", cwd=tmp_path)

    assert done.returncode in (3, 4)
    assert "gate-lost@point 10: came at" in done.stdout
    assert "the device was driven" in done.stdout
    assert "tripped: drain_supply output 1: over current" in done.stdout
    assert "ledger: empty" in done.stdout


def test_a_signal_ends_the_drills_and_all_their_processes(tmp_path: Path) -> None:
    """A hundred rehearsals left running in the background would be a slow computer that nobody understands."""
    command = [sys.executable, "-m", "benchkit", "drill", str(SHORT), "--instants", "20", "--jobs", "2", "--fault", "late"]
    process = subprocess.Popen(command, cwd=tmp_path, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    # The first tenth is done: both processes are at work.
    assert any("drills" in line for line in process.stderr)
    family = psutil.Process(process.pid).children(recursive=True)
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=60)
    _, alive = psutil.wait_procs(family, timeout=20)

    assert process.returncode == 130
    assert family
    assert alive == []
