"""NAME@WHEN: what is understood, what is refused, and that a refusal says what to write instead."""

from __future__ import annotations

from pathlib import Path

import pytest

from benchkit.bench.load import load_bench
from benchkit.campaign import rehearse
from benchkit.clock import VirtualClock
from benchkit.errors import FileError
from benchkit.fault_text import FaultText, When, parse_fault
from benchkit.plan.files import load_both
from sim_instruments.faults import FAULTS, drills, read_faults
from sim_instruments.visa import open_library
from tests.scenario import BENCH, SHORT


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("gate-lost@120 s", FaultText("gate-lost", "", When("time", 120.0))),
        ("gate-lost@2min", FaultText("gate-lost", "", When("time", 120.0))),
        ("silent:output_meter@message 812", FaultText("silent", "output_meter", When("message", 812))),
        ("dies@point:340", FaultText("dies", "", When("point", 340))),
        ("dies@point 0", FaultText("dies", "", When("point", 0))),
        ("door-open @ condition 3", FaultText("door-open", "", When("condition", 3))),
        ("reset@random:7", FaultText("reset", "", When("random", 7))),
        ("reset@random:7 in 90 s", FaultText("reset", "", When("random", 7, 90.0))),
    ],
)
def test_a_moment_can_be_said_as_a_person_would(text: str, fault: FaultText) -> None:
    """Time, message, point, condition or chance; and what is printed can be typed again."""
    assert parse_fault(text) == fault
    assert parse_fault(str(fault)) == fault


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("gate-lost", "says no moment"),
        ("gate-lost@noon", "condition 3"),
        ("gate-lost@12", "no unit"),
        ("gate-lost@-3 s", "before the run begins"),
        ("gate-lost@message 0", "counted from 1"),
        ("gate-lost@condition 0", "counted from 1"),
        ("Gate Lost@3 s", "NAME@WHEN"),
        ("gate-lost:@3 s", "NAME:INSTRUMENT"),
        ("gate-last@3 s", "did you mean gate-lost"),
        ("gate-lost:output_meter@3 s", "it can be in gate_supply"),
        ("gate-lost:nobody@3 s", "it can be in gate_supply"),
        ("gate-lost@point 3", "cannot be seen from here"),
        ("gate-lost@random:3", "random:3 in 90 s"),
    ],
)
def test_nonsense_is_refused_with_what_to_write_instead(text: str, says: str) -> None:
    """Before anything is begun: a fault that silently never comes would pass every drill."""
    with pytest.raises(FileError, match=says):
        read_faults([text], load_bench(BENCH))


@pytest.mark.parametrize(
    ("text", "says"),
    [("disk-full:chamber@3 s", "fault of this computer"), ("clock-jump@message 3", "cannot wait for a message")],
)
def test_faults_of_the_computer_are_of_the_computer(text: str, says: str, tmp_path: Path) -> None:
    """They travel no wire."""
    with pytest.raises(FileError, match=says):
        rehearse(*load_both(SHORT, None), tmp_path / "r.h5", faults=(text,))
    assert not (tmp_path / "r.h5").exists()


def test_a_random_moment_is_the_same_for_the_same_seed() -> None:
    """What a drill has found must be found again."""
    first, second, other = (parse_fault(f"dies@random:{seed}").settled(100.0).when.value for seed in (1, 1, 2))

    assert first == second != other
    assert 0.0 <= first <= 100.0


def test_every_fault_says_what_happens_and_where_it_can_be() -> None:
    """`benchkit drill --list` is made of this."""
    found = drills(load_bench(BENCH))

    assert [name for name, _, _ in found] == list(FAULTS)
    assert all(tells and instruments for _, tells, instruments in found)


def test_the_library_takes_texts() -> None:
    """benchkit never imports the twin: faults are words on the way there."""
    library = open_library(VirtualClock(), bench=load_bench(BENCH), faults=("dies@3 s", "reset:chamber@4 s"))

    assert library.twin.ledger.judge is not None
