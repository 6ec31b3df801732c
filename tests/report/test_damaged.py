"""A record whose tables are damaged: the person is told that it is, by every command that only reads."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
from typer.testing import CliRunner

from benchkit.cli.main import app
from benchkit.errors import FormatError
from tests.report.sample import write_sample


def shorter(h5: h5py.File, name: str) -> None:
    attributes, values = dict(h5[name].attrs), h5[name][:-1]
    del h5[name]
    made = h5.create_dataset(name, data=values)
    made.attrs.update({key: value for key, value in attributes.items() if key not in ("DIMENSION_LIST", "REFERENCE_LIST")})


def gone(name: str) -> Callable[[h5py.File], None]:
    def damage(h5: h5py.File) -> None:
        del h5[name]

    return damage


def elsewhere(h5: h5py.File) -> None:
    h5["verdicts/result"][0] = 100_000


def no_text(h5: h5py.File) -> None:
    column = h5["budgets/distribution"]
    column[0] = np.array(b"\xff\xfe", column.dtype)


DAMAGES: dict[str, Callable[[h5py.File], None]] = {
    "a column of results": gone("results/value"),
    "a column of points": gone("points/reference_v"),
    "a shorter column": lambda h5: shorter(h5, "verdicts/margin"),
    "a verdict on nothing": elsewhere,
    "a text that is none": no_text,
}


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_sample(tmp_path_factory.mktemp("whole") / "whole.h5")


@pytest.mark.parametrize("verb", ["report", "compare", "export"])
@pytest.mark.parametrize("damage", DAMAGES)
def test_it_is_told_and_is_no_fault_of_the_program(whole: Path, tmp_path: Path, damage: str, verb: str) -> None:
    """Exit code 3 says that the bench let us down: nobody's bench is at fault here."""
    record = tmp_path / "damaged.h5"
    record.write_bytes(whole.read_bytes())
    with h5py.File(record, "r+") as h5:
        DAMAGES[damage](h5)
    more = {"report": ["--out", str(tmp_path / "page.html")], "compare": [str(whole)], "export": ["--to", "csv"]}[verb]
    ran = CliRunner().invoke(app, [verb, str(record), *more])

    said = ran.output + (str(ran.exception) if ran.exception else "")
    assert ran.exception is None or isinstance(ran.exception, FormatError | SystemExit), repr(ran.exception)
    assert "changed" in said or "damaged" in said, said


def test_what_is_no_record_is_told_as_such(tmp_path: Path) -> None:
    (tmp_path / "notes.h5").write_text("not a record")
    ran = CliRunner().invoke(app, ["verify", str(tmp_path / "notes.h5")])
    assert "is not a record of benchkit" in ran.output + str(ran.exception)
