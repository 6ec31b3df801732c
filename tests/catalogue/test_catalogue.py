"""A folder of records at a glance: right without a cache, right with one, right with a wrong one; never an exception."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import h5py
import pytest
from typer.testing import CliRunner

import benchkit
from benchkit.catalogue import Wanted, folder, list_folder
from benchkit.catalogue.cache import Cache
from benchkit.catalogue.glance import KIND, VERSIONS
from benchkit.cli.list_records import parse_since
from benchkit.cli.main import app
from benchkit.errors import FileError
from benchkit.record import Record
from benchkit.record.layout import ROOT_KIND, VERSION
from tests.scenario import SHORT

KEPT = Path(__file__).parents[1] / "data" / "records"


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The user's own cache is left alone."""
    monkeypatch.setattr("platformdirs.user_cache_dir", lambda *_, **__: str(tmp_path / "cache"))


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return benchkit.rehearse(SHORT, tmp_path_factory.mktemp("one") / "a.h5", unit="L07-W2-03").record


@pytest.fixture
def records(tmp_path: Path, rehearsed: Path) -> Path:
    """One sealed, one killed, one damaged, one that is something else, one empty, one that is no record of ours."""
    where = tmp_path / "records"
    where.mkdir()
    shutil.copy(rehearsed, where / "sealed.h5")
    for suffix in ("", ".journal"):
        shutil.copy(KEPT / f"version-1-killed.h5{suffix}", where / f"killed.h5{suffix}")
    (where / "damaged.h5").write_bytes(rehearsed.read_bytes()[:9_000])
    (where / "text.h5").write_text("not HDF5")
    (where / "empty.hdf5").touch()
    with h5py.File(where / "other.h5", "w") as h5:
        h5["points"] = 1.0
    (where / "notes.txt").write_text("not looked at")
    return where


def call(*arguments: str | Path) -> tuple[int, str]:
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


def test_the_catalogue_says_what_the_record_says(records: Path) -> None:
    """It reads by calls of its own; they must see what every other reader sees."""
    entry = next(one for one in list_folder(records) if one.file == "sealed.h5")

    with Record.open(records / "sealed.h5") as record:
        bias = record.bias()
        assert entry.unit == record.attributes["unit"] == "L07-W2-03"
        assert entry.part == record.attributes["part"]
        assert entry.record_id == record.record_id
        assert entry.started_s == record.attributes["started_s"]
        assert entry.ended_s == record.ended_s
        assert (entry.outcome, entry.message, entry.state) == (record.outcome, record.message, record.state)
        assert entry.points == len(record.points())
        assert entry.planned_points == record.attributes["planned_points"]
        assert set(entry.channels) == set(bias["channel"])
        assert set(entry.supply_voltages_v) == set(bias["supply_voltage_set_v"])
        assert sum(entry.verdicts.values()) == len(record.verdicts())
        assert entry.simulated is True
    assert (KIND, VERSIONS) == (ROOT_KIND, (VERSION,))


def test_a_killed_record_counts_every_acknowledged_point(records: Path) -> None:
    """Those in its journal too."""
    entry = next(one for one in list_folder(records) if one.file == "killed.h5")

    with Record.open(records / "killed.h5") as record:
        assert entry.points == record.rows("points") > 0
    assert entry.state == "running or killed"


def test_what_cannot_be_read_is_a_line_that_says_why(records: Path) -> None:
    """One broken file must not hide a thousand others."""
    troubles = {one.file: one.trouble for one in list_folder(records) if one.trouble}
    code, said = call("list", records)

    assert set(troubles) == {"damaged.h5", "text.h5", "empty.hdf5", "other.h5"}
    assert troubles["text.h5"] == "not an HDF5 file"
    assert troubles["empty.hdf5"] == "empty file"
    assert "not a record" in troubles["other.h5"]
    assert code == 0
    assert all(name in said for name in [*troubles, "sealed.h5", "killed.h5"])
    assert "notes.txt" not in said


@pytest.mark.parametrize("size", [1_000, 3_000, 20_000, 60_000, 100_000])
def test_a_torn_file_of_any_length_is_a_line(tmp_path: Path, rehearsed: Path, size: int) -> None:
    """A copy that broke off over the network."""
    (tmp_path / "torn.h5").write_bytes(rehearsed.read_bytes()[:size])

    assert [bool(one.trouble) for one in list_folder(tmp_path)] == [True]


def test_files_that_have_not_changed_are_not_opened_again(records: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What makes a folder of thousands quick."""
    before = list_folder(records)
    opened: list[str] = []
    real = folder.glance

    def counted(path: Path, name: str) -> object:
        opened.append(name)
        return real(path, name)

    monkeypatch.setattr(folder, "glance", counted)

    assert list_folder(records) == before
    assert "sealed.h5" not in opened
    os.utime(records / "sealed.h5", ns=(1, 1))
    list_folder(records)
    assert "sealed.h5" in opened


def test_a_record_that_was_replaced_shows_as_it_is(records: Path, tmp_path: Path) -> None:
    """The cache follows the files, never the other way round."""
    list_folder(records)
    again = benchkit.rehearse(SHORT, tmp_path / "other.h5", unit="L07-W3-09").record
    again.replace(records / "sealed.h5")

    assert "L07-W3-09" in {one.unit for one in list_folder(records)}
    (records / "sealed.h5").unlink()
    assert "sealed.h5" not in {one.file for one in list_folder(records)}


@pytest.mark.parametrize(
    "junk", ["", "{", "[]", '{"version": 99}', '{"benchkit": "catalogue", "version": 1, "folder": "x", "entries": 3}']
)
def test_a_damaged_cache_is_as_none(records: Path, junk: str) -> None:
    """It is rebuilt from the files alone."""
    before = list_folder(records)
    path = Cache(records).path
    assert path.exists()
    path.write_text(junk)

    assert list_folder(records) == before
    assert json.loads(path.read_text())["entries"]


def test_a_cache_that_cannot_be_written_costs_time_only(records: Path, tmp_path: Path) -> None:
    """A read-only home is no reason to fail."""
    (tmp_path / "cache").write_text("a file where the folder should be")

    assert len(list_folder(records)) == 6


def test_filters_take_part_unit_and_time(records: Path) -> None:
    """Names as in a shell."""
    assert [one.file for one in list_folder(records, Wanted(unit="l07-w2-*"))] == ["sealed.h5"]
    assert list_folder(records, Wanted(part="KD15")) == []
    started = next(one.started_s for one in list_folder(records) if one.file == "sealed.h5")
    assert started is not None
    assert "sealed.h5" in {one.file for one in list_folder(records, Wanted(since_s=started))}
    assert "sealed.h5" not in {one.file for one in list_folder(records, Wanted(since_s=started + 1))}


def test_since_is_a_date_a_time_or_an_age() -> None:
    """And anything else is refused with what was expected."""
    assert parse_since("2026-01-05", 0) == parse_since("2026-01-05T00:00:00+00:00", 0)
    assert parse_since("2026-01-05T18:00", 0) - parse_since("2026-01-05", 0) == 18 * 3600
    assert parse_since("3 d", 1e6) == 1e6 - 3 * 86400
    assert parse_since("12 h", 1e6) == 1e6 - 12 * 3600
    for junk in ("yesterday", "3", "5 kg", "nan d x"):
        with pytest.raises(FileError, match="expected a date"):
            parse_since(junk, 0)


def test_the_order_is_that_of_time(tmp_path: Path, rehearsed: Path) -> None:
    """Not that of names."""
    for name, started_s in (("c.h5", 3.0), ("a.h5", 2.0), ("b.h5", 1.0)):
        shutil.copy(rehearsed, tmp_path / name)
        with h5py.File(tmp_path / name, "r+") as h5:
            h5.attrs["started_s"] = started_s

    assert [one.file for one in list_folder(tmp_path)] == ["b.h5", "a.h5", "c.h5"]


def test_subfolders_are_looked_into_when_asked(records: Path) -> None:
    """A link that leads back is not followed for ever."""
    (records / "lot").mkdir()
    shutil.copy(records / "sealed.h5", records / "lot" / "b.h5")
    (records / "lot" / "round").symlink_to(records)

    assert "lot/b.h5" not in {one.file for one in list_folder(records)}
    assert "lot/b.h5" in {one.file for one in list_folder(records, subfolders=True)}


def test_a_folder_that_is_none_is_a_mistake(tmp_path: Path) -> None:
    """With code 2, as every wrong argument."""
    for wrong in (tmp_path / "absent", tmp_path / "file"):
        (tmp_path / "file").touch()
        with pytest.raises(FileError):
            list_folder(wrong)


def test_json_is_the_whole_list(records: Path) -> None:
    """For whoever builds a page of it."""
    code, said = call("list", records, "--json")
    told = json.loads(said)

    assert code == 0
    assert len(told) == 6
    assert {one["file"]: bool(one["trouble"]) for one in told}["sealed.h5"] is False
