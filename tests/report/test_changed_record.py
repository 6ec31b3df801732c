"""Promise: a record that was edited after it was sealed is never reported or handed on as if nothing had happened."""

from __future__ import annotations

import shutil
from pathlib import Path

import h5py
import pytest
from typer.testing import CliRunner

from benchkit.cli.main import app
from benchkit.report import write_report


@pytest.fixture
def edited(rehearsed: Path, tmp_path: Path) -> Path:
    """One reading, made better by hand."""
    path = Path(shutil.copy(rehearsed, tmp_path / "edited.h5"))
    with h5py.File(path, "r+") as h5:
        h5["points/output_dbm"][10] += 1.0
    return path


def test_the_report_says_so_on_its_first_page(edited: Path, rehearsed: Path, tmp_path: Path) -> None:
    text = write_report([edited], tmp_path / "edited.html").read_text(encoding="utf-8")
    untouched = write_report([rehearsed], tmp_path / "untouched.html").read_text(encoding="utf-8")

    assert "CHANGED after it was sealed (points/output_dbm)" in text
    assert "CHANGED after it was sealed" not in untouched


def test_an_export_warns(edited: Path, rehearsed: Path, tmp_path: Path) -> None:
    told = CliRunner().invoke(app, ["export", str(edited), "--to", "csv", "--out", str(tmp_path / "edited")])
    quiet = CliRunner().invoke(app, ["export", str(rehearsed), "--to", "csv", "--out", str(tmp_path / "untouched")])

    assert "was changed after it was sealed: points/output_dbm" in told.stderr
    assert "changed" not in quiet.stderr
