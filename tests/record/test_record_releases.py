"""
Records written by each release stay in tests/data/records for good, and stay readable.

Version 1: 50 points and 10 events of tests/record/samples.py; `killed` had 30 points flushed; `sealed` has two
results and a verdict.
"""

from __future__ import annotations

import shutil
from pathlib import Path

from benchkit.clock import VirtualClock
from benchkit.record import Record, RecordWriter
from tests.record.samples import assert_events, assert_points

RECORDS = Path(__file__).parents[1] / "data" / "records"


def test_a_sealed_record_of_version_1_reads_as_it_was_written() -> None:
    """What was measured with an old benchkit is read by every later one."""
    with Record.open(RECORDS / "version-1-sealed.h5") as record:
        assert record.is_sealed
        assert assert_points(record.points()) == 50
        assert assert_events(record.events()) == 10
        assert record.ladders()["status"].tolist() == ["complete"]
        assert record.changes() == []
        results, verdicts = record.results(), record.verdicts()
        assert record.attributes["unit"] == "L07-W1-01"

    assert (results[0].value, results[0].condition.frequency_hz) == (27.1, 14.125e9)
    assert (results[1].is_absent, results[1].reason) == (True, "reading in the noise")
    assert (verdicts[0].outcome, verdicts[0].minimum, verdicts[0].result) == ("pass", 26.5, results[0])


def test_a_killed_record_of_version_1_is_resumed_by_every_later_benchkit(tmp_path: Path) -> None:
    """The bench computer was updated while a record waited to be gone on with."""
    for name in ("version-1-killed.h5", "version-1-killed.h5.journal"):
        shutil.copyfile(RECORDS / name, tmp_path / name)

    run = RecordWriter.resume(tmp_path / "version-1-killed.h5", clock=VirtualClock())
    assert run.recovery is not None
    assert run.recovery.mended == {"points": 20, "ladders": 0, "events": 4}
    run.finish("done", "")

    with Record.open(run.path) as record:
        assert assert_points(record.points()) == 50
        assert assert_events(record.events()) == 10
