"""Nothing is ever overwritten, and nobody writes into another's record."""

from __future__ import annotations

from pathlib import Path

import h5py
import pytest

from benchkit.clock import VirtualClock
from benchkit.errors import FormatError, RecordError, RecordExistsError
from benchkit.record import Record, RecordWriter, recover
from tests.record.samples import assert_points, point, writer


def test_an_existing_file_is_never_overwritten(tmp_path: Path) -> None:
    """Whatever lies there may be somebody's only copy."""
    (tmp_path / "run.h5").write_text("mine")

    with pytest.raises(RecordExistsError, match=r"run\.h5 exists"):
        writer(tmp_path / "run.h5")
    assert (tmp_path / "run.h5").read_text() == "mine"
    assert [file.name for file in tmp_path.iterdir()] == ["run.h5"]


def test_a_journal_left_over_is_never_overwritten(tmp_path: Path) -> None:
    """A journal without its file is a record that recover() can rebuild."""
    (tmp_path / "run.h5.journal").write_text("mine")

    with pytest.raises(RecordExistsError, match=r"run\.h5\.journal exists.*resume or recover"):
        writer(tmp_path / "run.h5")
    assert (tmp_path / "run.h5.journal").read_text() == "mine"
    assert not (tmp_path / "run.h5").exists()


def test_a_sealed_record_is_not_written_again(tmp_path: Path) -> None:
    """Finished is finished."""
    writer(tmp_path / "run.h5").finish("done", "")

    with pytest.raises(RecordExistsError):
        writer(tmp_path / "run.h5")
    with pytest.raises(FormatError, match="sealed"):
        RecordWriter.resume(tmp_path / "run.h5", clock=VirtualClock())
    assert recover(tmp_path / "run.h5").sealed


def test_a_second_writer_is_refused_while_the_first_one_lives(tmp_path: Path) -> None:
    """Two runs in one record would make nonsense of both."""
    run = writer(tmp_path / "run.h5")
    run.append("points", point(0))

    for attempt in (lambda: RecordWriter.resume(run.path, clock=VirtualClock()), lambda: recover(run.path)):
        with pytest.raises(RecordError, match="another process is writing"):
            attempt()
    run.append("points", point(1))
    run.abandon()
    with RecordWriter.resume(run.path, clock=VirtualClock()) as again:
        assert again.rows("points") == 2


def test_another_hdf5_writer_is_refused_while_the_run_lives(tmp_path: Path) -> None:
    """A notebook that opens the file for writing by mistake must not be able to corrupt the night's record."""
    pytest.importorskip("fcntl")
    run = writer(tmp_path / "run.h5")
    run.append("points", point(0))

    for mode in ("r+", "a"):
        with pytest.raises(OSError, match="unable to lock file"):
            h5py.File(run.path, mode)
    with h5py.File(run.path, "r"):
        pass
    run.abandon()


def test_a_reader_that_holds_the_file_open_stops_neither_growth_nor_resume_nor_sealing(tmp_path: Path) -> None:
    """Somebody's notebook is open all night."""
    run = writer(tmp_path / "run.h5", points=10)
    for number in range(50):
        run.append("points", point(number))
    with h5py.File(run.path, "r"), Record.open(run.path) as record:
        for number in range(50, 300):
            run.append("points", point(number))
        run.flush()
        run.abandon()
        again = RecordWriter.resume(run.path, clock=VirtualClock())
        again.append("points", point(300))
        again.finish("done", "")

        assert assert_points(record.points()) == 50  # what it saw when it was opened
    with Record.open(run.path) as record:
        assert assert_points(record.points()) == 301


def test_a_record_held_open_for_writing_by_another_program_is_not_resumed_nor_set_aside(tmp_path: Path) -> None:
    """It can't be read while that program holds it; that is no reason to take it for damaged."""
    pytest.importorskip("fcntl")
    run = writer(tmp_path / "run.h5")
    run.append("points", point(0))
    run.abandon()

    with h5py.File(run.path, "r+"), pytest.raises(RecordError, match="open for writing in another program"):
        RecordWriter.resume(run.path, clock=VirtualClock())
    assert sorted(file.name for file in tmp_path.iterdir()) == ["run.h5", "run.h5.journal"]
    with RecordWriter.resume(run.path, clock=VirtualClock()) as again:
        assert again.rows("points") == 1


def test_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    """The commonest slip with --out."""
    with pytest.raises(RecordError, match=r"nowhere/run\.h5: creating the record: No such file"):
        writer(tmp_path / "nowhere" / "run.h5")
