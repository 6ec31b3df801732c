"""Somebody tidies up beside a running record: the journal is missed while the run goes on, written anew, and told of."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest

from benchkit.errors import RecordError
from benchkit.record import Record, RecordWriter, recover
from tests.record.samples import FullDisk, assert_points, point, writer


def journal_of(run: RecordWriter) -> Path:
    return run.path.with_name(run.path.name + ".journal")


def replaced(journal: Path) -> None:
    journal.unlink()
    journal.write_bytes(b"somebody's notes")


MISHAPS: dict[str, Callable[[Path], None]] = {
    "was removed": Path.unlink,
    "was replaced by another file": replaced,
    "was cut": lambda journal: os.truncate(journal, 200),
}


def grown(run: RecordWriter, count: int) -> None:
    for _ in range(count):
        run.append("points", point(run.rows("points")))


@pytest.mark.parametrize("later", [0, 30], ids=["at once", "after more rows"])
@pytest.mark.parametrize("what", MISHAPS)
def test_a_kill_afterwards_finds_every_row_all_the_same(tmp_path: Path, what: str, later: int) -> None:
    """Without it the file could be read, and never gone on with: half a night for nothing."""
    with writer(tmp_path / "run.h5") as run:
        grown(run, 50)
        run.flush()
        MISHAPS[what](journal_of(run))
        grown(run, later)
        run.flush()
        grown(run, 20)  # acknowledged, and in the new journal alone
        told = [row for row in Record.open(run.path).events()["text"] if "written anew" in row]
        assert len(told) == 1
        assert what in told[0]
        copy = tmp_path / "killed"
        copy.mkdir()
        for file in (run.path, journal_of(run)):
            (copy / file.name).write_bytes(file.read_bytes())
        run.finish("done", "")

    for path in (copy / "run.h5", run.path):
        if path != run.path:
            assert recover(path).rows["points"] == 70 + later
        with Record.open(path) as record:
            assert assert_points(record.points()) == 70 + later


def test_rows_that_only_the_writer_has_are_in_the_new_one(tmp_path: Path) -> None:
    """Appended after the mishap, into a file that has no name any more."""
    with writer(tmp_path / "run.h5") as run:
        journal_of(run).unlink()
        grown(run, 40)
        run.flush()
        (tmp_path / "alone").mkdir()
        (tmp_path / "alone" / "run.h5.journal").write_bytes(journal_of(run).read_bytes())
    assert recover(tmp_path / "alone" / "run.h5").rows["points"] == 40


def test_what_lay_there_is_set_aside_and_not_deleted(tmp_path: Path) -> None:
    with writer(tmp_path / "run.h5") as run:
        grown(run, 5)
        replaced(journal_of(run))
        run.flush()
    assert (tmp_path / "run.h5.journal.set_aside").read_bytes() == b"somebody's notes"


def test_without_room_for_another_it_is_told_as_a_full_disk(tmp_path: Path) -> None:
    disk = FullDisk()
    run = writer(tmp_path / "run.h5", disk=disk)
    grown(run, 50)
    run.flush()
    journal_of(run).unlink()
    disk.room = 0
    with pytest.raises(RecordError, match="No space left"):
        run.flush()
    run.abandon()
    with Record.open(run.path) as record:
        assert assert_points(record.points()) == 50
