"""Promise: a reading that takes long hides nothing: the part is looked at meanwhile, and drive does not rise after a fault."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from benchkit.bench.load import Bench
from benchkit.campaign import rehearse
from benchkit.engine.tone_station import CombinedToneStation
from benchkit.engine.watch import PinWatch
from benchkit.plan.files import load_both
from benchkit.record import Record
from benchkit.sequence.load import Sequence
from sim_instruments.ledger import Abuse, read_ledger
from tests.scenario import ROOT, changed

SEQUENCES = ROOT / "sequences"
FULL_BENCH = SEQUENCES / "benches" / "kd14_full.yaml"
TOLD_WITHIN_S = 0.3

Night = Callable[..., tuple[set[str], float]]


def only(name: str, kind: str, folder: Path, *changes: tuple[str, str]) -> tuple[Sequence, Bench]:
    """A shipped sequence with one of its measurements alone, at the temperature that the room has."""
    text = (SEQUENCES / name).read_text(encoding="utf-8")
    head, tail = text.split("  temperature:\n    values", 1)
    blocks = tail.split("measurements:\n", 1)[1].split("\nexpectations:", 1)[0].split("  - kind: ")
    block = next(one for one in blocks if one.startswith(f"{kind}\n"))
    whole = f"{head}  channels: [A]\n  supply_voltage: 6 V\n\nmeasurements:\n  - kind: {block}"
    return load_both(changed(SEQUENCES / name, folder, (text, whole), *changes), FULL_BENCH)


@pytest.fixture(scope="module")
def tones(tmp_path_factory: pytest.TempPathFactory) -> tuple[Sequence, Bench]:
    """Two points, ten lines of 80 ms each."""
    return only(
        "kd14_two_tone.yaml", "two_tone", tmp_path_factory.mktemp("tones"),
        ("[13.9 GHz, 14.125 GHz, 14.35 GHz]", "14.125 GHz"), ("[1 MHz, 10 MHz]", "10 MHz"),
        ("to: -6 dBm, step: 1 dB", "to: -12 dBm, step: 2 dB"), ("bandwidth: 3 Hz", "bandwidth: 100 Hz"),
        ("    report:\n      back_off: [7 dB]\n", ""),
    )  # fmt: skip


@pytest.fixture
def night(tmp_path: Path) -> Night:
    """One rehearsal with a fault: what is charged, and how long after it came a reading showed it. [s]"""

    def carry(sequence: Sequence, bench: Bench, fault: str) -> tuple[set[str], float]:
        folder = tmp_path / str(len(list(tmp_path.iterdir())))
        folder.mkdir()
        rehearse(sequence, bench, folder / "a.h5", faults=[fault])
        told = json.loads((folder / "a.faults.json").read_text(encoding="utf-8"))["faults"][0]
        return {one.what for one in read_ledger(folder / "a.ledger.jsonl") if not one.by}, told["shown_s"] - told["came_s"]

    return carry


@pytest.fixture(scope="module")
def quiet(tones: tuple[Sequence, Bench], tmp_path_factory: pytest.TempPathFactory) -> list[float]:
    """When each reading of a quiet night began. [s]"""
    return times(tones, tmp_path_factory.mktemp("quiet") / "a.h5")


def times(tones: tuple[Sequence, Bench], path: Path) -> list[float]:
    with Record.open(rehearse(*tones, path).record) as record:
        return [float(time_s) - float(record.attributes["started_s"]) for time_s in record.points()["time_s"]]


def test_a_supply_that_dies_while_lines_are_read_is_told_at_once(
    tones: tuple[Sequence, Bench], quiet: list[float], night: Night, monkeypatch: pytest.MonkeyPatch
) -> None:
    """RF into a device without bias for as long as five lines take: nobody looked at the drain before the next point."""
    fault = f"dies:drain_supply@{quiet[0] - 0.33:.3f} s"
    charged, after_s = night(*tones, fault)
    assert (charged, after_s < TOLD_WITHIN_S) == (set(), True)

    monkeypatch.setattr(PinWatch, "wait", lambda _, duration_s: duration_s)

    assert Abuse.STILL in night(*tones, fault)[0]


def test_a_device_that_runs_away_while_the_whole_span_is_swept_is_told_at_once(tmp_path: Path, night: Night) -> None:
    """Undriven as well: one sweep of an oscillation check may last for seconds."""
    narrow = ("resolution_bandwidth: 1 MHz", "resolution_bandwidth: 100 kHz")
    check = only("kd14_spectrum.yaml", "oscillation_check", tmp_path / "check", narrow)
    charged, after_s = night(*check, "dies:drain_supply@2.5 s")
    assert (charged, after_s < TOLD_WITHIN_S) == (set(), True)


def test_looking_takes_no_time_of_its_own(
    tones: tuple[Sequence, Bench], quiet: list[float], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A supply answers while the analyser sweeps; a night is no longer for it."""
    monkeypatch.setattr(PinWatch, "wait", lambda _, duration_s: duration_s)

    assert times(tones, tmp_path / "blind.h5") == pytest.approx(quiet, abs=0.03)


def test_a_source_that_jumps_behind_the_tones_is_seen_before_drive_rises(
    tones: tuple[Sequence, Bench], quiet: list[float], night: Night, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A product of 15 dB too much was read, the tones had been read before it, and both sources went up."""
    fault = f"level-runaway:rf_source@{quiet[0] + 0.15:.3f} s"
    assert night(*tones, fault)[0] == set()

    monkeypatch.setattr(CombinedToneStation, "_ordered", lambda station: list(station._lines_hz.items()))

    assert Abuse.ENERGISED_ON in night(*tones, fault)[0]
