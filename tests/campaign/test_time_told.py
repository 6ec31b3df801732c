"""Promise: the time is told honestly: before, within 10 % on the twin; better from earlier records; compared afterwards."""

from __future__ import annotations

from collections import defaultdict
from pathlib import Path

import pytest

from benchkit import campaign
from benchkit.campaign.pacing import expected_stages, pace_of_all, stages_of
from benchkit.errors import FileError
from benchkit.plan import estimate, make_plan
from benchkit.plan.estimate import WARMING
from benchkit.plan.files import load_both
from benchkit.record import Record
from tests.scenario import BENCH, OVERNIGHT, ROOT, benchkit, changed

KINDS = ("s_parameters", "sentinel")
SHIPPED = [OVERNIGHT, *(ROOT / "sequences" / f"kd14_{name}.yaml" for name in KINDS)]


@pytest.fixture(scope="module")
def nights(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("nights")
    records = {}
    for path in SHIPPED:
        sequence, bench = load_both(path, None)
        records[path.stem] = campaign.rehearse(sequence, bench, folder / f"{path.stem}.h5").record
    return records


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_estimate_is_within_ten_percent_of_what_the_twin_took(path: Path, nights: dict[str, Path]) -> None:
    """A night is planned by it: done by half past seven, or not."""
    with Record.open(nights[path.stem]) as record:
        expected_s = sum(stage.time_s for stage in expected_stages(record.texts))
        assert expected_s == pytest.approx(float(record.attributes["estimated_s"]), abs=1.0)
        took_s = float(record.events()["time_s"].max()) - float(record.attributes["started_s"])
    assert expected_s == pytest.approx(took_s, rel=0.10)


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_refined_from_an_earlier_record_each_stage_is_nearer(path: Path, nights: dict[str, Path]) -> None:
    """What a bench file cannot know (how fast this chamber settles) is known from last night; another unit takes as long."""
    sequence, bench = load_both(path, None)
    pace = pace_of_all([nights[path.stem]], bench.file.bench, simulated=None)
    assert pace.names == (f"{path.stem}.h5",)
    # A condition that is returned to comes twice under one name.
    refined: dict[str, float] = defaultdict(float)
    for stage in estimate(make_plan(sequence.file), sequence.file, bench.file, pace=pace).stages:
        refined[stage.what] += stage.time_s
        if stage.ladders or "soak" in stage.what:
            assert stage.basis == "earlier records"
    with Record.open(nights[path.stem]) as record:
        took = stages_of(
            sequence.file, float(record.attributes["started_s"]), record.ladders(), record.bias(), record.events()
        )
    assert len(took) > 10
    whole: dict[str, float] = defaultdict(float)
    for one in took:
        whole[one.what] += one.time_s
    for what, time_s in whole.items():
        assert refined[what] == pytest.approx(time_s, rel=0.10, abs=0.5)


def test_the_wait_until_the_chamber_may_be_opened_is_part_of_the_time(tmp_path: Path) -> None:
    """Done by half past seven means that somebody may open it then; a cold night ends with a quarter of an hour of warming."""
    text = OVERNIGHT.read_text(encoding="utf-8")
    idle = next(line for line in text.splitlines() if line.strip().startswith("idle:"))
    indent = idle[: len(idle) - len(idle.lstrip())]
    values = next(line for line in text.splitlines() if line.strip().startswith("values:"))
    warm = f"{idle}\n{indent}warm_before_opening: {{ambient: 23 degC, humidity: 50 %}}"
    changes = (idle, warm), (values, f"{indent}values: [25 degC, 70 degC, -30 degC]"), ("bench: benches/kd14.yaml\n", "")
    path = changed(OVERNIGHT, tmp_path, *changes)
    sequence, bench = load_both(path, BENCH)
    with Record.open(campaign.rehearse(sequence, bench, tmp_path / "night.h5").record) as record:
        expected = {stage.what: stage.time_s for stage in expected_stages(record.texts)}
        took_s = float(record.events()["time_s"].max()) - float(record.attributes["started_s"])
        took = stages_of(
            sequence.file, float(record.attributes["started_s"]), record.ladders(), record.bias(), record.events()
        )
    warming = next(stage for stage in took if stage.what == WARMING)
    assert warming.time_s > 600
    assert expected[WARMING] == pytest.approx(warming.time_s, rel=0.10)
    assert sum(expected.values()) == pytest.approx(took_s, rel=0.10)


def test_afterwards_the_record_says_how_the_two_compare(nights: dict[str, Path]) -> None:
    with Record.open(nights["kd14_overnight"]) as record:
        told = record.events().query("kind == 'time'")["text"].tolist()
    assert len(told) == 1
    assert "had been expected" in told[0]
    assert "farthest off: to +25 °C and soak" in told[0]


def test_check_says_that_it_knows_from_earlier_records(nights: dict[str, Path]) -> None:
    folder = nights["kd14_overnight"].parent
    told = benchkit("check", OVERNIGHT, "--earlier", folder, cwd=folder)
    assert told.returncode == 0
    assert "refined from 1 earlier record" in told.stdout, "that of the other bench is passed over"


def test_a_record_of_another_bench_or_none_is_refused(nights: dict[str, Path]) -> None:
    _, bench = load_both(OVERNIGHT, None)
    with pytest.raises(FileError, match="not of 'KD14 bench'"):
        pace_of_all([nights["kd14_s_parameters"]], bench.file.bench, simulated=None)
    with pytest.raises(FileError, match="no such record or folder"):
        pace_of_all([Path("nowhere")], bench.file.bench, simulated=None)


def test_a_rehearsal_tells_nothing_of_a_real_run(nights: dict[str, Path]) -> None:
    _, bench = load_both(OVERNIGHT, None)
    assert pace_of_all([nights["kd14_overnight"].parent], bench.file.bench, simulated=False).names == ()
