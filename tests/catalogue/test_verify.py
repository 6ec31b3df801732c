"""A sealed record held against its digest: whatever was changed in it is found, and said where."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
from typer.testing import CliRunner

import benchkit
from benchkit.cli.main import app
from tests.scenario import SHORT

KILLED = Path(__file__).parents[1] / "data" / "records" / "version-1-killed.h5"
SEALED = KILLED.with_name("version-1-sealed.h5")


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return benchkit.rehearse(SHORT, tmp_path_factory.mktemp("one") / "a.h5").record


def verify(*paths: Path) -> tuple[int, str]:
    result = CliRunner().invoke(app, ["verify", *map(str, paths)])
    return result.exit_code, result.output


def test_an_untouched_record_is_untouched_and_its_digest_is_told(rehearsed: Path) -> None:
    """The digest written down in a laboratory's book is what a clever change of the file can't follow."""
    code, said = verify(rehearsed, SEALED)

    assert code == 0
    assert said.count("untouched") == 2
    with benchkit.open_record(rehearsed) as record:
        assert record.digest in said


def change_reading(h5: h5py.File) -> None:
    h5["points"]["output_meter_dbm"][7] += 0.01


def change_sequence(h5: h5py.File) -> None:
    text = h5["texts"]["sequence"][()]
    h5["texts"]["sequence"][()] = np.array(text.replace(b"220 mA", b"230 mA"), h5["texts"]["sequence"].dtype)


def change_bench(h5: h5py.File) -> None:
    text = h5["texts"]["bench"][()]
    h5["texts"]["bench"][()] = np.array(text.replace(b"0.12 dB", b"0.02 dB"), h5["texts"]["bench"].dtype)


def change_table(h5: h5py.File) -> None:
    h5["files"]["file_000"][40] += 1


def change_result(h5: h5py.File) -> None:
    h5["results"]["value"][3] = 99.0


@pytest.mark.parametrize(
    ("change", "where", "what"),
    [
        (change_reading, "points/output_meter_dbm", "readings"),
        (change_sequence, "texts/sequence", "sequence"),
        (change_bench, "texts/bench", "bench"),
        (change_table, "files/file_000", "path table"),
        (change_result, "results/value", "results"),
    ],
)
def test_a_change_is_found_and_said_where(
    rehearsed: Path, tmp_path: Path, change: Callable[[h5py.File], None], where: str, what: str
) -> None:
    """Sequence, bench, tables, raw readings, results: all of it."""
    path = tmp_path / "a.h5"
    shutil.copy(rehearsed, path)
    with h5py.File(path, "r+") as h5:
        change(h5)

    code, said = verify(rehearsed, path)

    assert code == 1
    assert "CHANGED" in said
    assert next(line for line in said.splitlines() if where in line).count(what)
    told = json.loads(CliRunner().invoke(app, ["verify", str(path), "--json"]).stdout)
    assert where in [one["where"] for one in told[0]["changes"]]


def test_another_unit_number_or_a_column_left_out_is_found(rehearsed: Path, tmp_path: Path) -> None:
    """Attributes and structure are part of the digest."""
    for number, change in enumerate(
        (lambda h5: h5.attrs.__setitem__("unit", "L07-W9-99"), lambda h5: h5["points"].__delitem__("drain_current_a"))
    ):
        path = tmp_path / f"{number}.h5"
        shutil.copy(rehearsed, path)
        with h5py.File(path, "r+") as h5:
            change(h5)

        code, said = verify(path)
        assert code == 1
        assert "attributes or structure" in said


def test_what_cannot_be_verified_is_code_2_whatever_the_others_are(rehearsed: Path, tmp_path: Path) -> None:
    """No record, a record that is still growing, no file: each is said."""
    (tmp_path / "text.h5").write_text("no")
    for path, says in (
        (tmp_path / "text.h5", "is not a record of benchkit"),
        (KILLED, "not sealed"),
        (tmp_path / "no.h5", "no such file"),
    ):
        code, said = verify(rehearsed, path)
        assert code == 2
        assert says in said
        assert "untouched" in said
