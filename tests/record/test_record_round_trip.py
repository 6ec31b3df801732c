"""What goes into a record comes out of it: running, killed and sealed."""

from __future__ import annotations

import math
from pathlib import Path

import h5py
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchkit.clock import VirtualClock
from benchkit.errors import ClosedError, FormatError, MisuseError
from benchkit.measurements.base import Column
from benchkit.record import Record, RecordWriter, StreamSpec
from benchkit.results.result import Result, ResultCondition
from benchkit.results.verdict import judge
from tests.record.samples import EVENTS, assert_events, assert_points, copy_pair, event, point, writer

COLUMNS = (Column("a_v", "V", "a"), Column("n", "1", "n", "i8"), Column("name", "", "name", "S8"), Column("b", "", "b", "S64"))
# NUL can't stand in a text of fixed length, a lone surrogate not in UTF-8; both are shown by a substitute (see below).
TEXT = st.text(st.characters(blacklist_categories=["Cs"], blacklist_characters="\0"))
ROW = st.fixed_dictionaries(
    {
        "a_v": st.floats(width=64),
        "n": st.integers(-(2**63), 2**63 - 1),
        "name": TEXT.filter(lambda text: len(text.encode()) <= 8),
        "b": TEXT.filter(lambda text: len(text.encode()) <= 64),
    }
)


def same(one: object, other: object) -> bool:
    """Equal, NaN to NaN, and -0.0 not to 0.0."""
    if isinstance(one, float) and isinstance(other, float):
        return (math.isnan(one) and math.isnan(other)) or (one == other and math.copysign(1, one) == math.copysign(1, other))
    return one == other


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(st.tuples(ROW, st.booleans()), max_size=30), data=st.data())
def test_any_rows_come_out_as_they_went_in_also_after_a_kill(
    tmp_path_factory: pytest.TempPathFactory, rows: list[tuple[dict[str, float | int | str], bool]], data: st.DataObject
) -> None:
    """Whatever the instruments say, the record says the same: running, killed at any row, resumed, sealed."""
    path = tmp_path_factory.mktemp("any") / "run.h5"
    killed_after = data.draw(st.integers(0, len(rows)))
    first = RecordWriter.create(
        path, streams=[StreamSpec("points", COLUMNS, 4)], clock=VirtualClock(), flush_interval_s=3600, sync_interval_s=3600
    )
    for row, flush_here in rows[:killed_after]:
        first.append("points", row)
        if flush_here:
            first.flush()
    killed = copy_pair(path, path.parent / "killed")
    first.abandon()

    with Record.open(killed) as record:
        before = record.points()
    second = RecordWriter.resume(killed, clock=VirtualClock(), flush_interval_s=3600, sync_interval_s=3600)
    for row, flush_here in rows[killed_after:]:
        second.append("points", row)
        if flush_here:
            second.flush()
    second.finish("done", "plan done")
    with Record.open(killed) as record:
        after = record.points()

    for table, wanted in ((before, rows[:killed_after]), (after, rows)):
        assert len(table) == len(wanted)
        for name in ("a_v", "n", "name", "b"):
            assert all(same(x, row[name]) for x, (row, _) in zip(table[name].tolist(), wanted, strict=True)), name


def test_a_running_record_shows_every_acknowledged_row(tmp_path: Path) -> None:
    """Whoever looks from another terminal sees what was acknowledged, not what happened to be flushed."""
    with writer(tmp_path / "run.h5") as running:
        for number in range(10):
            running.append("points", point(number))
        running.flush()
        for number in range(10, 25):
            running.append("points", point(number))

        with Record.open(running.path) as record:
            assert record.state == "running or killed"
            assert assert_points(record.points()) == 25
            assert record.outcome == ""
            assert record.results() == []


def test_a_sealed_record_keeps_all_that_the_run_was_given(tmp_path: Path) -> None:
    """A measurement can be repeated from its record alone only if every text and byte is exact."""
    run = writer(tmp_path / "run.h5")
    run.append("points", point(0))
    run.finish("done", "plan done ✓")

    with Record.open(tmp_path / "run.h5") as record:
        assert record.state == "sealed"
        assert record.is_sealed
        assert record.sequence_text == "sequence: KD14 gäin\n"
        assert record.bench_text == "bench: main\r\n"
        assert record.files == {"paths/input.csv": b"frequency_hz,loss_db\n1.4e10,3.1\n", "empty.bin": b""}
        assert record.attributes == {"unit": "L07-W1-01", "seed": 7, "estimated_s": 1.5}
        assert record.instruments == [
            {"name": "drain", "serial": "S1", "maker": ""},
            {"name": "meter", "serial": "", "maker": "generic ©"},
        ]
        assert (record.outcome, record.message) == ("done", "plan done ✓")
        assert record.ended_s == record.created_s == VirtualClock().now()
    assert [file.name for file in tmp_path.iterdir()] == ["run.h5"]


def test_tables_have_numbers_as_numbers_texts_as_text_and_units(tmp_path: Path) -> None:
    """A notebook computes with the columns at once and can label its axes."""
    run = writer(tmp_path / "run.h5")
    run.append("points", point(3))
    run.finish("done", "")

    with Record.open(tmp_path / "run.h5") as record:
        points = record.points()

    assert points["output_dbm"].dtype == np.float64
    assert points["point"].dtype == np.int64
    assert points["channel"].tolist() == ["B"]
    assert points.attrs["units"]["output_dbm"] == "dBm"
    assert points.attrs["plane"]["output_dbm"] == "device output"
    assert points.attrs["long_name"]["case_degc"] == "case temperature"


def test_results_and_verdicts_come_back_as_they_were(tmp_path: Path) -> None:
    """A report made years later says what was said on the day, absent numbers with their reasons included."""
    results = [
        Result("p1db", 27.1, "dBm", "device output", ResultCondition(25.0, "A", 6.0, 14.125e9), "", 0.3, convention="x"),
        Result("pae_back_off", math.nan, "%", "device output", qualifier="6 dB", reason="reading in the noise"),
    ]
    verdicts = [judge(results[0], minimum=26.5, expectation=2), judge(results[1], minimum=10.0, expectation=3)]
    run = writer(tmp_path / "run.h5")
    run.finish("done", "", results, verdicts)

    with Record.open(tmp_path / "run.h5") as record:
        back, judged = record.results(), record.verdicts()

    assert repr(back) == repr(results)  # repr: NaN equals NaN there
    assert repr(judged) == repr(verdicts)
    assert judged[0].outcome == "pass"
    assert judged[1].result is not None
    assert judged[1].result.reason == "reading in the noise"


def test_a_verdict_on_a_result_that_is_not_stored_is_refused(tmp_path: Path) -> None:
    """A verdict must never point at the wrong number."""
    run = writer(tmp_path / "run.h5")

    with pytest.raises(MisuseError, match="not one of the results"):
        run.finish("done", "", [], [judge(Result("p1db", 1.0, "dBm", ""), minimum=0.0, rule="simple acceptance")])
    with RecordWriter.resume(tmp_path / "run.h5", clock=VirtualClock()) as again:
        again.finish("done", "")


def test_an_empty_record_can_be_sealed_and_read(tmp_path: Path) -> None:
    """A run that stops before its first point leaves a record all the same."""
    run = writer(tmp_path / "run.h5")
    run.finish("bench", "no instrument answered")

    with Record.open(tmp_path / "run.h5") as record:
        assert len(record.points()) == 0
        assert record.points()["channel"].tolist() == []
        assert len(record.events()) == 0
        assert record.changes() == []


def test_a_long_event_is_continued_and_nothing_of_it_is_lost(tmp_path: Path) -> None:
    """What an instrument complained of at length may be what explains the night."""
    text = "Überlänge ✓ " * 60
    with writer(tmp_path / "run.h5") as run:
        run.append("events", event(0))
        first = run.append("events", {"time_s": 1.0, "severity": "error", "kind": "instrument", "text": text})
        with Record.open(run.path) as record:
            events = record.events()

    parts = events["text"].tolist()[first:]
    assert first == 1
    assert len(parts) > 2
    assert all(len(part.encode()) <= 240 for part in parts)
    assert all(part.endswith("…") for part in parts[:-1])
    assert all(part.startswith("…") for part in parts[1:])
    assert "".join(part.removeprefix("…").removesuffix("…") for part in parts) == text
    assert set(events["kind"][first:]) == {"instrument"}


def test_prose_that_does_not_fit_its_column_is_cut_visibly_and_stands_whole_in_the_events(tmp_path: Path) -> None:
    """A stop reason of 97 bytes must not end a run, and must not be cut in silence either."""
    reason = "drain current, channel A: " + "0.5123 A is above the limit 0.5 A; " * 4
    with writer(tmp_path / "run.h5") as run:
        run.append("ladders", {"ladder": 0, "status": "stopped", "stop_reason": reason})
        with Record.open(run.path) as record:
            cut = record.ladders()["stop_reason"][0]
            (whole,) = record.events()["text"]

    assert cut.endswith("…")
    assert reason.startswith(cut.removesuffix("…"))
    assert whole == f"row 0 of ladders, stop_reason: {reason}"


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ({**point(0), "channel": "channel-left"}, "12 bytes, the column 8"),
        ({**point(0), "outptu_dbm": 1.0}, "did you mean output_dbm"),
        ({"channel": "A"}, r"point is None \(left out\); expected a whole number"),
        ({**point(0), "point": 1.5}, "point is 1.5; expected a whole number"),
        ({**point(0), "point": 2**63}, "expected a whole number of 64 bits"),
        ({**point(0), "output_dbm": "12"}, "output_dbm is '12'; expected a number"),
        ({**point(0), "channel": 1}, "channel is 1; expected a text"),
    ],
)
def test_a_row_that_does_not_fit_is_refused_whole(tmp_path: Path, row: dict[str, float | int | str], message: str) -> None:
    """A wrong number is worse than an error; and a refused row leaves no trace."""
    with writer(tmp_path / "run.h5") as run:
        run.append("points", point(0))
        with pytest.raises(MisuseError, match=message):
            run.append("points", row)
        run.append("points", point(1))

        with Record.open(run.path) as record:
            assert assert_points(record.points()) == 2


def test_a_float_left_out_is_nan_and_a_text_left_out_is_empty(tmp_path: Path) -> None:
    """A reading that was not taken must not look like one."""
    with writer(tmp_path / "run.h5") as run:
        run.append("points", {"point": 0})
        with Record.open(run.path) as record:
            row = record.points().iloc[0]

    assert math.isnan(row["output_dbm"])
    assert row["channel"] == ""


def test_what_is_no_character_is_shown_not_dropped(tmp_path: Path) -> None:
    """A broken instrument sends anything; the log shows what it was."""
    with writer(tmp_path / "run.h5") as run:
        run.append("events", {"time_s": 0.0, "severity": "error", "kind": "reply", "text": "a\0b\udc80"})
        with Record.open(run.path) as record:
            assert record.events()["text"][0] == "a␀b\\udc80"


def test_a_closed_writer_and_a_closed_record_say_so(tmp_path: Path) -> None:
    """Closing twice is fine; using what is closed is not."""
    run = writer(tmp_path / "run.h5")
    run.finish("done", "")
    run.abandon()
    with pytest.raises(ClosedError):
        run.append("points", point(0))
    with pytest.raises(ClosedError):
        run.finish("done", "")
    with Record.open(tmp_path / "run.h5") as record:
        pass
    record.close()
    with pytest.raises(ClosedError):
        record.points()


def test_a_change_to_a_sealed_record_is_noticed(tmp_path: Path) -> None:
    """Raw readings are never changed after they are written; and if somebody does, it shows."""
    for name in ("value.h5", "unit.h5", "untouched.h5"):
        run = writer(tmp_path / name)
        run.append("points", point(5))
        run.finish("done", "")
    with h5py.File(tmp_path / "value.h5", "r+") as h5:
        h5["points/output_dbm"][0] = 99.0
    with h5py.File(tmp_path / "unit.h5", "r+") as h5:
        h5["points/output_dbm"].attrs["units"] = "dBW"

    with Record.open(tmp_path / "value.h5") as record:
        assert record.changes() == ["points/output_dbm"]
    with Record.open(tmp_path / "unit.h5") as record:
        assert record.changes() == ["attributes or structure"]
    with Record.open(tmp_path / "untouched.h5") as record:
        assert record.changes() == []


def test_a_compressed_record_reads_the_same(tmp_path: Path) -> None:
    """Compression is for the disk's sake and changes no number."""
    run = writer(tmp_path / "run.h5", 10_000)
    for number in range(10_000):
        run.append("points", point(number))
    run.finish("done", "", compress=True)

    with h5py.File(tmp_path / "run.h5") as h5:
        assert h5["points/time_s"].compression == "gzip"
    with Record.open(tmp_path / "run.h5") as record:
        assert assert_points(record.points()) == 10_000
        assert record.changes() == []


def test_more_rows_than_planned_only_make_the_file_grow(tmp_path: Path) -> None:
    """Retries and a long soak make more rows than the plan; no run may end because of that."""
    run = writer(tmp_path / "run.h5", points=10)
    for number in range(1500):
        run.append("points", point(number))
        run.append("events", event(number))
        if number % 100 == 0:
            run.flush()
            with Record.open(run.path) as record:
                assert assert_points(record.points()) == number + 1
    run.finish("done", "")

    with Record.open(tmp_path / "run.h5") as record:
        assert assert_points(record.points()) == 1500
        assert assert_events(record.events()) == 1500
    assert [file.name for file in tmp_path.iterdir()] == ["run.h5"]


def test_a_version_this_benchkit_does_not_read_is_named(tmp_path: Path) -> None:
    """A reader that guesses is wrong next year; this one says what it found and what it reads."""
    run = writer(tmp_path / "run.h5")
    run.finish("done", "")
    with h5py.File(tmp_path / "run.h5", "r+") as h5:
        h5["points"].attrs["version"] = 3

    with Record.open(tmp_path / "run.h5") as record, pytest.raises(FormatError, match=r"/points is a 'stream', version 3"):
        record.points()


@pytest.mark.parametrize("content", [b"", b"not HDF5 at all", None])
def test_what_is_no_record_is_refused_by_name(tmp_path: Path, content: bytes | None) -> None:
    """The wrong file given by hand is an everyday mistake."""
    path = tmp_path / "other.h5"
    if content is None:
        with h5py.File(path, "w") as h5:
            h5["x"] = 1
    else:
        path.write_bytes(content)

    with pytest.raises(FormatError, match=r"other\.h5"):
        Record.open(path)


def test_streams_are_checked_when_they_are_named() -> None:
    """A mistake in the columns shows before the run, not at its first row."""
    for columns in ((), (EVENTS[0], EVENTS[0]), (Column("row", "", ""),), (Column("a b", "", ""),), (Column("a", "", "", "f4"),)):
        with pytest.raises(MisuseError):
            StreamSpec("points", columns, 1)
    with pytest.raises(MisuseError):
        StreamSpec("results", EVENTS, 1)
