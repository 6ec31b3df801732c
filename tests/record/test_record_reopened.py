"""A sealed record is opened again to go on in it; killed at any step of that, nothing is lost."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from benchkit.clock import VirtualClock
from benchkit.errors import FormatError
from benchkit.record import Disk, Record, RecordWriter, recover
from benchkit.record.journal import journal_path
from tests.record.samples import assert_events, assert_points, copy_pair, event, point, writer


def sealed(path: Path, points: int = 100, **options: Any) -> Path:
    run = writer(path)
    for number in range(points):
        run.append("points", point(number))
        if number % 10 == 0:
            run.append("events", event(number // 10))
    run.finish("interrupted", "by hand", **options)
    return path


@pytest.mark.parametrize("compress", [False, True])
def test_a_sealed_record_is_gone_on_with_and_sealed_again(tmp_path: Path, compress: bool) -> None:
    """Old rows to the last bit, new rows behind them, the outcome of the last part, and a digest that fits."""
    path = sealed(tmp_path / "run.h5", 10_000 if compress else 100, compress=compress)
    with Record.open(path) as record:
        before = (record.record_id, record.created_s, record.attributes, record.texts, record.files, record.instruments)
        points = len(record.points())
    with RecordWriter.resume(path, clock=VirtualClock(), sealed_too=True) as run:
        assert run.rows("points") == points
        for number in range(points, points + 50):
            run.append("points", point(number))
        with Record.open(path) as record:
            assert assert_points(record.points()) == points + 50
        run.finish("done", "went on")

    with Record.open(path) as record:
        assert assert_points(record.points()) == points + 50
        assert assert_events(record.events()) == points // 10
        after = (record.record_id, record.created_s, record.attributes, record.texts, record.files, record.instruments)
        assert after == before
        assert (record.outcome, record.message) == ("done", "went on")
        assert record.changes() == []
    assert not journal_path(path).exists()


def test_a_sealed_record_is_not_opened_by_accident(tmp_path: Path) -> None:
    """Whoever means it says so."""
    path = sealed(tmp_path / "run.h5")

    with pytest.raises(FormatError, match="is sealed"):
        RecordWriter.resume(path, clock=VirtualClock())


class Watched(Disk):
    """Lets a test see both files after every call that changes something on the disk."""

    def __init__(self, look: Callable[[], None]) -> None:
        self._look = look

    def write_at(self, fd: int, data: bytes | bytearray | memoryview, offset: int) -> None:
        super().write_at(fd, data, offset)
        self._look()

    def publish(self, temporary: Path, path: Path) -> None:
        super().publish(temporary, path)
        self._look()

    def replace(self, temporary: Path, path: Path) -> None:
        super().replace(temporary, path)
        self._look()


def test_killed_at_any_step_of_opening_again_every_row_is_there(tmp_path: Path) -> None:
    """Before recovery for any reader, and after it for whoever goes on."""
    path = sealed(tmp_path / "run.h5", 12)
    copies: list[Path] = []

    def look() -> None:
        copies.append(copy_pair(path, tmp_path / f"{len(copies)}"))

    RecordWriter.resume(path, clock=VirtualClock(), sealed_too=True, disk=Watched(look)).abandon()
    states = set()
    for copy in copies:
        with Record.open(copy) as record:
            states.add((record.is_sealed, journal_path(copy).exists()))
            assert assert_points(record.points()) == 12
            assert assert_events(record.events()) == 2
        recover(copy)
        with RecordWriter.resume(copy, clock=VirtualClock(), sealed_too=True) as run:
            run.append("points", point(12))
            run.finish("done", "")
        with Record.open(copy) as record:
            assert assert_points(record.points()) == 13
            assert record.changes() == []

    assert states == {(True, False), (True, True), (False, True)}
