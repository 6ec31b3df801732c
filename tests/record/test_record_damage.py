"""Recovery: file and journal are compared row by row, and mended; what can't be mended is told."""

from __future__ import annotations

import random
from pathlib import Path

import h5py
import numpy as np
import pytest

from benchkit.clock import VirtualClock
from benchkit.errors import FormatError
from benchkit.record import Record, RecordWriter, recover
from tests.record.samples import assert_events, assert_points, copy_pair, event, point, writer


@pytest.fixture
def killed(tmp_path: Path) -> Path:
    """100 points and 30 events, 60 points of them flushed, as a kill leaves them."""
    (tmp_path / "before").mkdir()
    run = writer(tmp_path / "before" / "run.h5")
    for number in range(100):
        run.append("points", point(number))
        if number % 10 < 3:
            run.append("events", event(number // 10 * 3 + number % 10))
        if number == 59:
            run.flush()
    path = copy_pair(run.path, tmp_path / "killed")
    run.abandon()
    return path


def journal(path: Path) -> Path:
    return path.with_name(path.name + ".journal")


def assert_whole(path: Path) -> None:
    with Record.open(path) as record:
        assert assert_points(record.points()) == 100
        assert assert_events(record.events()) == 30
        assert record.sequence_text == "sequence: KD14 gäin\n"
    with h5py.File(path, "r") as h5:
        assert h5["status/points_rows"][()] == 100
        assert np.array_equal(h5["points/point"][:100], np.arange(100))


def test_recovery_brings_the_file_up_to_the_journal_and_does_nothing_the_second_time(killed: Path) -> None:
    """Rows that were acknowledged but not yet copied are copied; and recovering is safe to repeat."""
    first = recover(killed)
    second = recover(killed)

    assert_whole(killed)
    assert first.rows == {"points": 100, "ladders": 0, "events": 30}
    assert first.mended == {"points": 40, "ladders": 0, "events": 12}
    assert second.mended == {"points": 0, "ladders": 0, "events": 0}
    assert not first.rebuilt
    assert first.cut_bytes == 0


def test_a_value_changed_behind_the_runs_back_is_mended(killed: Path) -> None:
    """A file that still opens can be wrong all the same: somebody's script wrote to it, or the disk did."""
    recover(killed)
    with h5py.File(killed, "r+") as h5:
        h5["points/output_dbm"][7] = 99.0
        h5["points/channel"][50] = b"Z"
        h5["events/text"][2] = b"nothing happened"

    found = recover(killed)

    assert found.mended == {"points": 2, "ladders": 0, "events": 1}
    assert_whole(killed)


@pytest.mark.parametrize("cut", [1, 8, 20, 47, 48, 71, 72, 73, 80])
def test_a_torn_frame_at_the_journals_end_is_cut_off_and_nothing_else(killed: Path, cut: int) -> None:
    """A frame that was not written whole was not acknowledged; every frame before it was."""
    size = journal(killed).stat().st_size
    with journal(killed).open("r+b") as file:
        file.truncate(size - cut)

    with Record.open(killed) as record:
        before = assert_points(record.points())
    found = recover(killed)

    with Record.open(killed) as record:
        rows = assert_points(record.points())
    assert rows == before == (99 if cut <= 72 else 98)
    assert found.cut_bytes == (-cut % 72)
    assert not any(found.lost.values())
    with RecordWriter.resume(killed, clock=VirtualClock()) as run:
        for number in range(rows, 100):
            run.append("points", point(number))
    assert_whole(killed)


def test_zeros_behind_the_journals_end_are_cut_off(killed: Path) -> None:
    """After a power cut a file system may have the new length but not the new bytes."""
    with journal(killed).open("ab") as file:
        file.write(bytes(5000))

    assert recover(killed).cut_bytes == 5000
    assert_whole(killed)


def test_any_flipped_byte_of_the_journal_costs_nothing_that_the_file_has(killed: Path) -> None:
    """Two copies of every synced row, and one bad spot can only hit one of them."""
    recover(killed)
    clean, random_ = journal(killed).read_bytes(), random.Random(3)
    for _ in range(25):
        damaged = bytearray(clean)
        damaged[random_.randrange(len(clean))] ^= 1 << random_.randrange(8)
        journal(killed).write_bytes(damaged)

        found = recover(killed)

        assert not any(found.lost.values())
        assert_whole(killed)


def test_a_flipped_byte_costs_one_row_at_most_even_without_the_file_and_it_is_named(killed: Path) -> None:
    """A journal of a long night is big; one bad spot must not take what comes after it, and what it took must be told."""
    recover(killed)
    clean, random_ = journal(killed).read_bytes(), random.Random(4)
    lost_any = 0
    for _ in range(25):
        damaged = bytearray(clean)
        damaged[random_.randrange(len(clean))] ^= 1 << random_.randrange(8)
        journal(killed).write_bytes(damaged)
        killed.unlink()

        found = recover(killed)

        lost = [(name, row) for name, rows in found.lost.items() for row in rows]
        assert len(lost) <= 1
        assert bool(found.damaged_bytes) or damaged[-32:] != clean[-32:]
        with Record.open(killed) as record:
            points, events = record.points(), record.events()
        if (len(points), len(events)) == (
            99,
            30,
        ):  # the last row of all: that there was one can't be known, but bytes are missing
            lost.append(("points", 99))
        else:
            assert (len(points), len(events)) == (100, 30)
        for number, row in enumerate(points.to_dict("records")):
            assert np.isnan(row["output_dbm"]) if ("points", number) in lost else row == point(number)
        for number, text in enumerate(events["text"]):
            assert text == ("" if ("events", number) in lost else event(number)["text"])
        assert recover(killed).lost == found.lost  # and it goes on being told
        assert ("LOST" in found.summary()) == bool(any(found.lost.values()))
        lost_any += bool(lost)
    assert 0 < lost_any < 25


def test_rows_behind_a_hole_that_no_sync_vouches_for_are_not_taken(killed: Path) -> None:
    """
    A power cut may keep a later page and lose an earlier one. Rows behind such a hole were never promised; a record with a hole
    in its middle would be worse than one that ends before it.
    """
    data = bytearray(journal(killed).read_bytes())
    at = len(data) - 20 * 72  # among the last rows, which were never synced
    data[at : at + 100] = b"\xee" * 100
    journal(killed).write_bytes(data)

    with Record.open(killed) as record:
        rows = assert_points(record.points())
    found = recover(killed)

    assert 60 <= rows < 100
    assert found.rows["points"] == rows
    assert not any(found.lost.values())
    assert found.cut_bytes > 100
    with Record.open(killed) as record:
        assert assert_points(record.points()) == rows


def test_a_bad_spot_in_the_journal_is_filled_from_the_file(killed: Path) -> None:
    """What the journal lost and the file has goes back into the journal, so that it is the whole truth again."""
    data = bytearray(journal(killed).read_bytes())
    at = data.index(b"event 4")
    data[at : at + 3000] = b"\xee" * 3000
    journal(killed).write_bytes(data)

    found = recover(killed)

    assert sum(found.restored.values()) > 10
    assert not any(found.lost.values())
    assert_whole(killed)
    killed.unlink()
    assert recover(killed).rebuilt
    assert_whole(killed)


def test_a_file_that_is_gone_is_rebuilt_from_the_journal_alone(killed: Path) -> None:
    """The journal is the whole record until it is sealed: texts, files, instruments, every row."""
    killed.unlink()
    with pytest.raises(FormatError, match=r"recover\(\) rebuilds it"):
        Record.open(killed)

    found = recover(killed)

    assert found.rebuilt
    assert found.set_aside is None
    assert_whole(killed)
    with Record.open(killed) as record:
        assert record.files["paths/input.csv"].startswith(b"frequency_hz")
        assert record.instruments[1]["maker"] == "generic ©"


@pytest.mark.parametrize("where", ["start", "metadata", "half", "empty"])
def test_a_file_that_can_not_be_read_is_set_aside_and_rebuilt(killed: Path, where: str) -> None:
    """Nothing that was measured is deleted: the broken file stays beside, under another name."""
    data = bytearray(killed.read_bytes())
    if where == "start":
        data[:96] = bytes(96)
    elif where == "metadata":
        data[96:8192] = bytes(8192 - 96)
    elif where == "half":
        del data[len(data) // 2 :]
    else:
        data.clear()
    killed.write_bytes(data)

    found = recover(killed)

    assert found.rebuilt
    assert found.set_aside is not None
    assert found.set_aside.read_bytes() == data
    assert "is now run.h5.damaged" in found.summary()
    assert_whole(killed)


def test_random_damage_to_the_file_is_mended_or_rebuilt(killed: Path) -> None:
    """Wherever the disk loses 512 bytes of the HDF5 file, the record is whole after recovery."""
    recover(killed)
    clean, random_ = killed.read_bytes(), random.Random(5)
    rebuilt = 0
    for _ in range(25):
        damaged = bytearray(clean)
        at = random_.randrange(len(clean) - 512)
        damaged[at : at + 512] = random_.randbytes(512)
        killed.write_bytes(damaged)

        rebuilt += recover(killed).rebuilt

        assert_whole(killed)
    assert 0 < rebuilt < 25


def test_two_different_records_are_never_mixed(killed: Path, tmp_path: Path) -> None:
    """A journal that somebody moved beside another record must not be written into it."""
    (tmp_path / "other").mkdir()
    other = writer(tmp_path / "other" / "run.h5")
    other.append("points", point(7))
    other.abandon()
    before = killed.read_bytes()
    journal(killed).write_bytes(journal(other.path).read_bytes())

    with pytest.raises(FormatError, match="two different records"):
        recover(killed)
    with pytest.raises(FormatError, match="not the journal of this record"):
        Record.open(killed)
    assert killed.read_bytes() == before


def test_a_left_over_journal_of_a_sealed_record_is_compared_before_it_is_removed(killed: Path) -> None:
    """A kill between the last two steps of sealing leaves both; the journal goes only when the sealed file has all of it."""
    left_over = journal(killed).read_bytes()
    RecordWriter.resume(killed, clock=VirtualClock()).finish("done", "")
    journal(killed).write_bytes(left_over)

    assert recover(killed).sealed
    assert not journal(killed).exists()

    with h5py.File(killed, "r+") as h5:
        h5["points/output_dbm"][3] = -1.0
    journal(killed).write_bytes(left_over)
    with pytest.raises(FormatError, match="1 rows are not as in"):
        recover(killed)
    assert journal(killed).exists()


def test_a_record_without_its_journal_is_read_but_not_gone_on_with(killed: Path) -> None:
    """Somebody copied the file alone from a running bench: what it has is shown; adding to it would fork the truth."""
    journal(killed).unlink()

    with Record.open(killed) as record:
        assert assert_points(record.points()) == 60
    with pytest.raises(FormatError, match=r"journal run\.h5\.journal is not there"):
        RecordWriter.resume(killed, clock=VirtualClock())
