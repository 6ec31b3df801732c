"""Promise: after a power cut the record opens, at most the stated seconds are missing, and `resume` finishes the night."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

import benchkit
from benchkit import campaign
from benchkit.campaign.compare import compare_files
from benchkit.campaign.run import NoProgress
from benchkit.cli.main import app
from benchkit.plan.files import load_both
from tests.campaign.going_on import acknowledged, troubles
from tests.record.samples import PowerCut, rows_in
from tests.scenario import OVERNIGHT, changed

CUTS = (40, 150, 260, 400)


class Cutter(NoProgress):
    """Makes an image of what a power cut would leave, each time one of `CUTS` points is reached; the night goes on."""

    def __init__(self, disk: PowerCut, record: Path) -> None:
        self._disk, self._record = disk, record
        self.images: dict[int, Path] = {}
        self.synced: dict[int, int] = {}

    def point(self, done: int, skipped: int) -> None:
        if done == 1:
            self._disk.watch(self._record, self._record.with_name(self._record.name + ".journal"))
        if done in CUTS:
            folder = self._record.parent / f"cut_{done}"
            synced = self._disk.cut(folder)
            self.images[done] = folder / self._record.name
            self.synced[done] = rows_in(synced[self._record.name + ".journal"], 32)[0]


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Cutter:
    folder = tmp_path_factory.mktemp("night")
    shutil.copytree(OVERNIGHT.parent, folder, dirs_exist_ok=True)
    path = changed(
        OVERNIGHT, folder,
        ("{from: 13.75 GHz, to: 14.5 GHz, step: 125 MHz}", "{from: 14 GHz, to: 14.5 GHz, step: 250 MHz}"),
    )  # fmt: skip
    sequence, bench = load_both(path, None)
    disk = PowerCut(4096, random.Random(1))
    cutter = Cutter(disk, folder / "night.h5")
    outcome = campaign.rehearse(sequence, bench, folder / "night.h5", progress=cutter, disk=disk)
    assert outcome.outcome == "done", outcome.message
    assert set(cutter.images) == set(CUTS)
    return cutter


@pytest.mark.parametrize("points", CUTS)
def test_a_night_that_lost_power_is_finished_by_resume(night: Cutter, points: int, tmp_path: Path) -> None:
    """The record opens with what was synced; what is shown is right; gone on with, it agrees with the night undisturbed."""
    for file in night.images[points].parent.iterdir():
        shutil.copy(file, tmp_path)
    record = tmp_path / "night.h5"
    with benchkit.open_record(record) as stored:
        there = len(stored.points())
    assert night.synced[points] <= there <= points
    before = acknowledged(record)

    result = CliRunner().invoke(app, ["resume", str(record), "--accept"])

    assert result.exit_code in (0, 1), result.output
    ladders = int(acknowledged(record)["ladders"]["ladder"].max()) + 1
    assert troubles(record, before, ladders) == []
    comparison = compare_files(night.images[points].parent.parent / "night.h5", record)
    assert comparison.agrees, comparison.disagreements
    assert not comparison.only_first
