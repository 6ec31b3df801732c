"""`kill -9` at random instants: five here, two hundred in tests/benchmarks/kill_runs.py."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import pytest

from sim_instruments.ledger import Abuse
from tests.drills.kills import Outputs, kill_once
from tests.scenario import SHORT, ServedTwin, changed, served_twin

LONG = ("{from: -12 dBm, to: 9 dBm, step: 1 dB}", "{from: -12 dBm, to: 8 dBm, step: 0.1 dB}")
UNGUARDED = (str(Path(__file__).with_name("unguarded.py")),)
LATEST_S = 2.0


@pytest.fixture
def twin(tmp_path: Path) -> Iterator[ServedTwin]:
    with served_twin(tmp_path) as served:
        yield served


def test_five_kills_at_random_instants_end_safe_within_two_seconds(tmp_path: Path, twin: ServedTwin) -> None:
    """No handler of ours runs then; the guardian does. And nobody is left over."""
    rng, outputs = random.Random(5), Outputs(twin.bench)
    sequence = changed(SHORT, tmp_path, LONG)
    kills = [
        kill_once(twin, outputs, sequence, tmp_path / f"{number}.h5", rng.uniform(0.0, LATEST_S)) for number in range(5)
    ]
    outputs.close()
    twin.stop()

    assert [kill.broken for kill in kills] == [[]] * 5
    assert any(kill.was_on for kill in kills)
    assert twin.ledger() == []


def test_without_the_guardian_a_kill_leaves_the_device_powered(
    tmp_path: Path, twin: ServedTwin, monkeypatch: pytest.MonkeyPatch
) -> None:
    """So that the test above cannot pass for another reason, and the guardian is no decoration."""
    monkeypatch.setattr("tests.drills.kills.GIVE_UP_S", 1.0)
    outputs = Outputs(twin.bench)
    sequence = changed(SHORT, tmp_path, LONG)
    kill = kill_once(twin, outputs, sequence, tmp_path / "unguarded.h5", LATEST_S, UNGUARDED)
    outputs.close()
    twin.stop()

    assert kill.was_on
    assert kill.account is None
    assert Abuse.LEFT_ENERGISED in {entry["what"] for entry in twin.ledger()}
