"""Disks that are full, that can't sync, that lose power; and the writer's own thread."""

from __future__ import annotations

import random
import subprocess
import sys
import threading
from pathlib import Path

import h5py
import pytest

from benchkit.clock import VirtualClock
from benchkit.errors import RecordError
from benchkit.record import Record, RecordWriter, recover
from tests.record.samples import (
    FailingSync,
    FullDisk,
    PowerCut,
    assert_events,
    assert_points,
    copy_pair,
    event,
    point,
    rows_in,
    writer,
)


def append_until_refused(run: RecordWriter) -> None:
    while True:
        run.append("points", point(run.rows("points")))


def test_syncing_goes_on_while_nothing_is_appended(tmp_path: Path) -> None:
    """A soak can be silent for half an hour; the row before it must not wait for the row after it."""
    disk = FailingSync()
    with writer(tmp_path / "run.h5", disk=disk, flush_interval_s=0.01) as run:
        disk.tried.clear()
        run.append("points", point(0))

        assert disk.tried.wait(60)  # nobody calls anything: the writer's thread does it
        seen = 0
        while not seen:  # the copy follows the sync
            with h5py.File(run.path, "r") as h5:
                seen = int(h5["status/points_rows"][()])
        assert seen == 1


def test_the_file_itself_is_synced_now_and_then_and_says_how_far(tmp_path: Path) -> None:
    """Below `_rows_safe` even a power cut can't have torn anything; that needs to advance by itself too."""
    with writer(tmp_path / "run.h5", flush_interval_s=0.01, sync_interval_s=0.02) as run:
        for number in range(5):
            run.append("points", point(number))
        safe = 0
        while safe < 5:
            with h5py.File(run.path, "r") as h5:
                safe = int(h5["status/points_rows_safe"][()])
        assert safe == 5


def test_an_error_of_the_background_thread_is_raised_by_the_next_append(tmp_path: Path) -> None:
    """A night's points on a disk that no longer syncs is what must not go unnoticed."""
    disk = FailingSync()
    run = writer(tmp_path / "run.h5", disk=disk, flush_interval_s=0.01)
    run.append("points", point(0))
    disk.broken = True
    disk.tried.clear()
    run.append("points", point(1))
    assert disk.tried.wait(60)

    # It ends: the thread has tried already.
    with pytest.raises(RecordError, match=r"run\.h5: syncing: Input/output error \(.* MB free"):
        append_until_refused(run)
    rows = run.rows("points")
    with pytest.raises(RecordError):
        run.flush()
    with pytest.raises(RecordError):
        run.finish("done", "")
    assert run.is_closed

    disk.broken = False
    assert recover(run.path).rows["points"] == rows
    with Record.open(run.path) as record:
        assert assert_points(record.points()) == rows


def test_a_failure_that_nobody_was_told_of_is_raised_by_abandon(tmp_path: Path) -> None:
    """A failed goodbye is raised, and everything is let go all the same."""
    disk = FailingSync()
    run = writer(tmp_path / "run.h5", disk=disk)
    run.append("points", point(0))
    disk.broken = True

    with pytest.raises(RecordError, match="syncing"):
        run.abandon()
    run.abandon()
    disk.broken = False
    with RecordWriter.resume(run.path, clock=VirtualClock()) as again:
        assert again.rows("points") == 1


@pytest.mark.parametrize("room", [0, 1, 23, 24, 500, 5000])
def test_a_full_disk_is_told_with_the_room_left_and_loses_nothing(tmp_path: Path, room: int) -> None:
    """The row that did not fit was not acknowledged; all before it were, and stay; with room made, the run goes on."""
    disk = FullDisk()
    run = writer(tmp_path / "run.h5", disk=disk)
    for number in range(20):
        run.append("points", point(number))
    disk.room = room

    with pytest.raises(RecordError, match=r"run\.h5: appending to points: No space left on device \([\d.]+ MB free in "):
        append_until_refused(run)
    number = run.rows("points")
    with Record.open(run.path) as record:
        assert assert_points(record.points()) == number
    disk.room = None
    for later in range(number, number + 10):
        run.append("points", point(later))
    run.finish("done", "")

    with Record.open(run.path) as record:
        assert assert_points(record.points()) == number + 10


def test_a_disk_that_fills_up_while_the_file_grows_keeps_every_acknowledged_row(tmp_path: Path) -> None:
    """Growing needs the most room at once; what was acknowledged by then is in the journal."""
    disk = FullDisk()
    run = writer(tmp_path / "run.h5", points=70, disk=disk)
    for number in range(60):
        run.append("points", point(number))
    run.flush()
    for number in range(60, 200):
        run.append("points", point(number))
    disk.room = 0

    with pytest.raises(RecordError, match="syncing: No space left on device"):
        run.flush()
    disk.room = None
    with pytest.raises(RecordError):
        run.append("points", point(200))
    run.abandon()

    assert sorted(file.name for file in tmp_path.iterdir()) == ["run.h5", "run.h5.journal"]
    with Record.open(run.path) as record:
        assert assert_points(record.points()) == 200
    with RecordWriter.resume(run.path, clock=VirtualClock()) as again:
        again.append("points", point(200))
        again.finish("done", "")
    with Record.open(run.path) as record:
        assert assert_points(record.points()) == 201


def test_a_record_that_can_not_be_sealed_stays_whole_and_is_sealed_later(tmp_path: Path) -> None:
    """The last step of a night may find the disk full; the night is not lost for that."""
    disk = FullDisk()
    run = writer(tmp_path / "run.h5", disk=disk)
    for number in range(50):
        run.append("points", point(number))
    disk.room = 0

    with pytest.raises(RecordError, match="sealing the record: No space left"):
        run.finish("done", "")
    assert run.is_closed
    assert sorted(file.name for file in tmp_path.iterdir()) == ["run.h5", "run.h5.journal"]
    RecordWriter.resume(run.path, clock=VirtualClock()).finish("done", "")
    with Record.open(run.path) as record:
        assert record.is_sealed
        assert assert_points(record.points()) == 50


def test_a_plan_that_can_not_fit_is_told_before_the_run(tmp_path: Path) -> None:
    """Better at six in the evening than at three in the morning; and nothing is left behind."""

    class Small(FullDisk):
        def free_bytes(self, folder: Path) -> int | None:
            return 10_000_000

    with pytest.raises(RecordError, match=r"needs about \d+ MB while it runs, and 10 MB are free"):
        writer(tmp_path / "run.h5", points=100_000, disk=Small())
    assert list(tmp_path.iterdir()) == []


def test_the_systems_own_limit_on_a_files_size_is_met_like_a_full_disk(tmp_path: Path) -> None:
    """The same with the operating system's own error, by RLIMIT_FSIZE (setrlimit(2), POSIX): EFBIG."""
    pytest.importorskip("resource")
    script = f"""
import resource, sys
from pathlib import Path
from benchkit.errors import RecordError
from tests.record.samples import point, writer
path = Path({str(tmp_path / "run.h5")!r})
run = writer(path, points=5000)
limit = path.stat().st_size + 1000  # the HDF5 file has its full size already: it is the journal that meets the limit
resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
number = 0
try:
    while True:
        number = run.append("points", point(number)) + 1
except RecordError as error:
    print(number, "File too large" in str(error))
run.abandon()
"""
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=Path(__file__).parents[2], timeout=60
    )

    rows, told = done.stdout.split()
    assert told == "True"
    assert 1000 < int(rows) < 5000
    with Record.open(tmp_path / "run.h5") as record:
        assert assert_points(record.points()) == int(rows)


@pytest.mark.parametrize(("page", "seed"), [(4096, 1), (512, 2)])
def test_a_power_cut_at_any_moment_loses_nothing_that_was_synced(tmp_path: Path, page: int, seed: int) -> None:
    """
    Of the pages written since the last sync the disk may have any version of any of them (PowerCut). Whatever it has:
    every synced row is there, before and after recovery, and no row that is shown is wrong.
    """
    random_ = random.Random(seed)
    disk = PowerCut(page, random_)
    run = writer(tmp_path / "run.h5", points=3000, disk=disk, flush_interval_s=0.001, sync_interval_s=0.004)
    journal = tmp_path / "run.h5.journal"
    disk.watch(run.path, journal)
    for cut in range(15):
        for _ in range(random_.randint(1, 80)):
            run.append("points", point(run.rows("points")))
            if random_.random() < 0.3:
                run.append("events", event(run.rows("events")))
        synced = rows_in(disk.cut(tmp_path / f"cut{cut}")["run.h5.journal"])

        path = tmp_path / f"cut{cut}" / "run.h5"
        with h5py.File(path, "r") as h5:  # plain h5py opens it before anything was recovered
            assert "points" in h5
        with Record.open(path) as record:
            points, events = assert_points(record.points()), assert_events(record.events())
        found = recover(path)
        assert points >= synced[0]
        assert events >= synced[2]
        assert found.rows["points"] == points
        assert not found.rebuilt
        with Record.open(path) as record:
            assert assert_points(record.points()) == points
            assert assert_events(record.events()) == events
    run.abandon()


def test_readers_see_whole_rows_while_the_writer_writes(tmp_path: Path) -> None:
    """
    Somebody watches the run from another terminal: every look shows a beginning of the truth, and never less than
    before.
    """
    run = writer(tmp_path / "run.h5", points=100, flush_interval_s=0.001, sync_interval_s=0.005)
    looks = threading.Semaphore(0)  # a look allows 50 more rows, so that both get on

    def write() -> None:
        for number in range(1500):
            if number % 50 == 0:
                looks.acquire()
            run.append("points", point(number))
        run.finish("done", "")

    appending = threading.Thread(target=write)
    appending.start()
    seen = 0
    while seen < 1500 or appending.is_alive():
        looks.release()
        with Record.open(run.path) as record:
            seen = assert_points(record.points(), at_least=seen)
    appending.join()
    with Record.open(run.path) as record:
        assert record.is_sealed
        assert assert_points(record.points()) == 1500


def test_rows_from_several_threads_are_all_there(tmp_path: Path) -> None:
    """The engine, the chamber log and a signal's note may come from different threads."""
    run = writer(tmp_path / "run.h5", points=100, flush_interval_s=0.001, sync_interval_s=0.005)

    def write(first: int) -> None:
        for number in range(first, first + 500):
            run.append("points", point(number))
            if number % 100 == 0:
                run.flush()

    threads = [threading.Thread(target=write, args=(first,)) for first in range(0, 2000, 500)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    killed = copy_pair(run.path, tmp_path / "killed")
    run.finish("done", "")

    for path in (run.path, killed):
        with Record.open(path) as record:
            points = record.points()
        assert sorted(points["point"]) == list(range(2000))
        assert_points(points.sort_values("point", ignore_index=True))
