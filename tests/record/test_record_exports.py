"""Exports: other programs read them without being told anything, with every digit, and nothing is overwritten."""

from __future__ import annotations

import csv
import json
import math
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from benchkit.errors import RecordError, RecordExistsError
from benchkit.record import Record, export_csv, export_parquet
from benchkit.results.result import Result
from tests.record.samples import POINTS, assert_points, event, point, writer


@pytest.fixture
def sealed(tmp_path: Path) -> Path:
    run = writer(tmp_path / "run.h5")
    for number in range(40):
        run.append("points", point(number))
    run.append("points", {"point": 40, "output_dbm": math.nan, "channel": "Ä"})
    run.append("events", event(5))
    run.append("events", {"time_s": 1.0, "severity": "info", "kind": "quote", "text": 'a "b", c\nd ✓'})
    run.finish("done", "plan done", [Result("p1db", 27.1, "dBm", "device output")])
    return run.path


def test_csv_comes_back_with_every_digit(sealed: Path, tmp_path: Path) -> None:
    """pandas reads numbers as numbers from the first line on: column names carry the units, no second header line."""
    with Record.open(sealed) as record:
        written = export_csv(record, tmp_path / "csv")
        points, events = record.points(), record.events()
    assert {path.name for path in written} == {
        "points.csv", "ladders.csv", "events.csv", "instruments.csv", "results.csv", "verdicts.csv", "columns.csv",
    }  # fmt: skip
    back = pd.read_csv(tmp_path / "csv" / "points.csv")
    with (tmp_path / "csv" / "points.csv").open(encoding="utf-8-sig", newline="") as file:
        texts = list(csv.DictReader(file))

    # pandas' quick reader of numbers may miss the last bit (its documentation, read_csv, float_precision); the file does not.
    pd.testing.assert_frame_equal(back, points, rtol=1e-15, atol=0)
    assert [float(row["drain_current_a"]) for row in texts[:40]] == [point(n)["drain_current_a"] for n in range(40)]
    assert texts[40]["output_dbm"] == ""
    assert assert_points(points.iloc[:40]) == 40
    assert pd.read_csv(tmp_path / "csv" / "events.csv")["text"].tolist() == events["text"].tolist()


def test_csv_says_the_units_of_every_column_beside_it(sealed: Path, tmp_path: Path) -> None:
    """Names end in units, but planes and meanings have no room in a name."""
    with Record.open(sealed) as record:
        export_csv(record, tmp_path / "csv")
    columns = pd.read_csv(tmp_path / "csv" / "columns.csv").set_index(["table", "column"])

    assert columns.loc[("points", "output_dbm")].to_dict() == {
        "units": "dBm",
        "plane": "device output",
        "long_name": "output power, corrected",
    }
    assert ("results", "value") in columns.index


def test_a_csv_file_by_name_takes_the_points(sealed: Path, tmp_path: Path) -> None:
    """The quick look: one file, for a spreadsheet; with the byte order mark that spreadsheets need to see UTF-8."""
    with Record.open(sealed) as record:
        written = export_csv(record, tmp_path / "quick.csv")

    assert [path.name for path in written] == ["quick.csv", "quick.columns.csv"]
    assert written[0].read_bytes().startswith(b"\xef\xbb\xbfpoint,channel,time_s,")


def test_parquet_carries_units_with_every_field(sealed: Path, tmp_path: Path) -> None:
    """One file that says all of itself, for whoever works in another language."""
    with Record.open(sealed) as record:
        export_parquet(record, tmp_path / "parquet")
        export_parquet(record, tmp_path / "points.parquet")
        points = record.points()
    table = pq.read_table(tmp_path / "parquet" / "points.parquet")

    for column in POINTS:
        metadata = table.schema.field(column.name).metadata
        assert metadata[b"units"].decode() == column.units
        assert metadata[b"plane"].decode() == column.plane
    assert json.loads(table.schema.metadata[b"attributes"])["unit"] == "L07-W1-01"
    assert table.schema.metadata[b"outcome"] == b"done"
    pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / "points.parquet"), points, check_exact=True)


@pytest.mark.parametrize(("export", "ending"), [(export_csv, "csv"), (export_parquet, "parquet")])
def test_an_export_overwrites_nothing_and_then_writes_nothing(sealed: Path, tmp_path: Path, export: object, ending: str) -> None:
    """Somebody may have worked in that file."""
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / f"ladders.{ending}").write_text("mine")

    with Record.open(sealed) as record, pytest.raises(RecordExistsError, match="ladders"):
        export(record, folder)  # type: ignore[operator]
    assert [file.name for file in folder.iterdir()] == [f"ladders.{ending}"]
    assert (folder / f"ladders.{ending}").read_text() == "mine"


def test_a_running_record_can_be_exported(tmp_path: Path) -> None:
    """A first look in the middle of the night; there are no results yet, and no table pretends so."""
    with writer(tmp_path / "run.h5") as run:
        run.append("points", point(0))
        with Record.open(run.path) as record:
            written = export_csv(record, tmp_path / "csv")

    assert {path.name for path in written} == {"points.csv", "ladders.csv", "events.csv", "instruments.csv", "columns.csv"}


def test_an_export_that_fails_leaves_nothing_behind(sealed: Path, tmp_path: Path) -> None:
    """Half an export looks like a whole one."""
    (tmp_path / "file").write_text("")

    with Record.open(sealed) as record, pytest.raises(RecordError, match="exporting"):
        export_csv(record, tmp_path / "file" / "folder")
