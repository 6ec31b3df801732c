"""
Take one wall away, and some drill must fail: a wall whose absence nobody notices holds nothing up.

Each test first shows that with the wall the same drill passes. The guardian's own test stands beside the kills.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from benchkit.bench.load import load_bench_text
from benchkit.bench.open import OpenBench
from benchkit.campaign import rehearse
from benchkit.engine.walls import Walls
from benchkit.envelope.margins import Findings
from benchkit.errors import ProofError
from benchkit.measurements.believable import Ascent
from benchkit.plan.files import load_both
from drivers.scpi_source import ScpiSource
from drivers.scpi_supply import ScpiSupply
from sim_instruments.ledger import Abuse, read_ledger
from tests.drills.conftest import Drill
from tests.scenario import BENCH, SHORT, benchkit, changed


def nothing(*_: object) -> None:
    """Stands for a wall that is not there."""


def test_the_proof_before_power(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A level too high for the part is refused on paper; a reading would find it when it has been applied."""
    sequence_path = changed(SHORT, tmp_path, ("{from: -12 dBm, to: 9 dBm, step: 1 dB}", "[-12 dBm, 15 dBm]"))
    sequence, bench = load_both(sequence_path, BENCH)
    # A source that can do it, or the source's own range would be the wall.
    strong = load_bench_text(
        bench.text.replace("level_max: 14 dBm", "level_max: 19 dBm"), bench.path.name, bench.table_files, bench.path.parent
    )
    with pytest.raises(ProofError):
        rehearse(sequence, strong, tmp_path / "proved.h5")
    assert not (tmp_path / "proved.h5").exists()

    class Blind(Findings):
        mistakes = property(lambda _: [], nothing)  # type: ignore[assignment]

    monkeypatch.setattr("benchkit.envelope.envelope.Findings", Blind)
    rehearse(sequence, strong, tmp_path / "blind.h5")

    assert Abuse.INPUT_POWER in {entry.what for entry in read_ledger(tmp_path / "blind.ledger.jsonl")}


def test_the_current_limit_and_trip_in_the_drain_supply(drill_one: Drill, monkeypatch: pytest.MonkeyPatch) -> None:
    """No reading is fast enough for a gate that is lost."""
    assert drill_one("gate-lost@point 10").failures == ()

    asked: dict[tuple[str, int], float] = {}
    set_current_limit = ScpiSupply._set_current_limit

    def set_wide(supply: ScpiSupply, channel: int, current_a: float) -> None:
        asked[supply.name, channel] = current_a
        set_current_limit(supply, channel, 2.0 if supply.name == "drain_supply" else current_a)

    # A supply that says yes and does nothing, and software that cannot tell.
    monkeypatch.setattr(ScpiSupply, "_set_current_limit", set_wide)
    monkeypatch.setattr(ScpiSupply, "_ask_current_limit", lambda supply, channel: asked[supply.name, channel])
    trips: dict[tuple[str, int], bool] = {}
    monkeypatch.setattr(ScpiSupply, "_set_over_current", lambda supply, channel, on: trips.update({(supply.name, channel): on}))
    monkeypatch.setattr(ScpiSupply, "_ask_over_current", lambda supply, channel: trips[supply.name, channel])

    assert any(Abuse.DRAIN_CURRENT in failure for failure in drill_one("gate-lost@point 10").failures)


def test_the_level_limit_in_the_source(drill_one: Drill, monkeypatch: pytest.MonkeyPatch) -> None:
    """Near the top of a ladder a jump of 10 dB is beyond the part, and the gain hides it."""
    assert drill_one("level-jump@point 22").failures == ()

    asked: list[float] = []
    monkeypatch.setattr(ScpiSource, "_set_level_limit", lambda _, level_dbm: asked.append(level_dbm))
    monkeypatch.setattr(ScpiSource, "_ask_level_limit", lambda _: (asked[-1], True))

    assert any(Abuse.INPUT_POWER in failure for failure in drill_one("level-jump@point 22").failures)


def test_the_walls_at_every_reading(drill_one: Drill, monkeypatch: pytest.MonkeyPatch) -> None:
    """Gain that no part has, and power that nobody put in, are there to be read: somebody must look."""
    faults = ("level-runaway@point 0", "oscillates@point 10")
    assert [drill_one(fault).failures for fault in faults] == [(), ()]

    monkeypatch.setattr(Walls, "check_guards", nothing)
    monkeypatch.setattr(Walls, "check_rest", nothing)
    monkeypatch.setattr(Ascent, "_check_step", nothing)

    found = [drill_one(fault).failures for fault in faults]
    assert all(any(Abuse.ENERGISED_ON in failure for failure in failures) for failures in found)


def test_a_step_of_drive_held_against_the_one_before(drill_one: Drill, monkeypatch: pytest.MonkeyPatch) -> None:
    """A source that jumps half-way up a ladder gives a P1dB that looks like any other."""
    assert drill_one("level-jump@point 17").failures == ()

    monkeypatch.setattr(Ascent, "_check_step", nothing)

    assert any("wrong number: p1db" in failure for failure in drill_one("level-jump@point 17").failures)


def test_make_safe_on_the_way_out(drill_one: Drill, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever stops a run, nothing stays on."""
    assert drill_one("level-jump@point 17").failures == ()

    monkeypatch.setattr(OpenBench, "make_safe", nothing)
    monkeypatch.setattr(OpenBench, "close", OpenBench.release)

    failures = drill_one("level-jump@point 17").failures
    assert sum(Abuse.LEFT_ENERGISED in failure for failure in failures) == 3  # RF, drain, gate


def test_a_meter_that_repeats_itself(drill_one: Drill, monkeypatch: pytest.MonkeyPatch) -> None:
    """It hangs half-way up, its remote side does not, and the ladder ends as if the device had saturated there."""
    assert drill_one("repeats@point 18").failures == ()

    monkeypatch.setattr(Ascent, "_check_repeat", nothing)

    row = drill_one("repeats@point 18")
    assert any("wrong number" in failure for failure in row.failures), row


def test_gain_at_the_first_point(tmp_path: Path) -> None:
    """A cable left loose since yesterday shows at no step of the ladder: it was loose at the first."""
    folder = tmp_path / "files"
    shutil.copytree(SHORT.parent, folder)
    told = {}
    for name, gain_min in (("with", "gain_min: 15 dB"), ("without", "gain_min: -60 dB")):
        sequence = changed(SHORT, folder, ("gain_min: 15 dB", gain_min), name=f"{name}.yaml")
        options = ("--fault", "path-loose@point 3", "--out", tmp_path / f"{name}.h5")
        told[name] = benchkit("rehearse", sequence, *options, cwd=tmp_path)

    assert told["with"].returncode == 4
    assert "is below the limit 15 dB" in told["with"].stdout
    assert "is a path loose" in told["with"].stdout
    assert "below the limit" not in told["without"].stdout
