"""Path tables: read strictly, interpolated exactly, never extrapolated."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchkit.bench import LossPath, load_bench, load_bench_text
from benchkit.bench.loss_table import read_loss_table
from benchkit.errors import FileError
from tests.files.samples import BENCH, INPUT_TABLE, TABLES

PATH = LossPath.table("input", (10e9, 11e9, 13e9), (1.0, 2.0, -1.0), (0.1, 0.3, 0.2), "input.csv")


def test_a_table_is_read_with_comments_a_byte_order_mark_and_windows_lines() -> None:
    """Spreadsheets write all of these."""
    content = b"\xef\xbb\xbf# measured\r\n\r\nloss_db, frequency_hz\r\n1.5,1e9\r\n-2.5, 2.0E9\r\n"

    rows = read_loss_table(content, "t.csv")

    assert rows.frequencies_hz == (1e9, 2e9)
    assert rows.losses_db == (1.5, -2.5)
    assert rows.uncertainties_db is None


@pytest.mark.parametrize(
    ("content", "line", "key", "says"),
    [
        (b"", 1, "", "is empty"),
        (b"# nothing\n", 1, "", "is empty"),
        (b"frequency_hz;loss_db\n1;2\n", 1, "", "separated by commas"),
        (b"frequency_ghz,loss_db\n1,2\n2,2\n", 1, "frequency_ghz", "did you mean frequency_hz? Its unit is the one in the"),
        (b"frequency_hz,loss\n1,2\n2,2\n", 1, "loss", "did you mean loss_db?"),
        (b"frequency_hz,frequency_hz,loss_db\n1,1,2\n", 1, "frequency_hz", "there twice"),
        (b"loss_db,uncertainty_db\n1,2\n", 1, "frequency_hz", "missing"),
        (b"1e9,2\n2e9,3\n", 1, "frequency_hz", "missing"),
        (b"frequency_hz,loss_db\n1e9,2\n", None, "", "1 rows; a table needs two"),
        (b"frequency_hz,loss_db\n1e9,2\n1e9,3\n", 3, "frequency_hz", "does not ascend"),
        (b"frequency_hz,loss_db\n2e9,2\n1e9,3\n", 3, "frequency_hz", "does not ascend"),
        (b"frequency_hz,loss_db\n0,2\n1e9,3\n", 2, "frequency_hz", "not above zero"),
        (b"frequency_hz,loss_db\n1e9,nan\n2e9,3\n", 2, "loss_db", "'nan' is not a plain number"),
        (b"frequency_hz,loss_db\n1e9,inf\n2e9,3\n", 2, "loss_db", "not a plain number"),
        (b"frequency_hz,loss_db\n1e9,1e999\n2e9,3\n", 2, "loss_db", "not finite"),
        (b"frequency_hz,loss_db\n1e9,2 dB\n2e9,3\n", 2, "loss_db", "not a plain number"),
        (b"frequency_hz,loss_db\n1e9,\n2e9,3\n", 2, "loss_db", "is empty"),
        (b"frequency_hz,loss_db\n1e9,2,3\n2e9,3\n", 2, "", "3 values under 2 columns"),
        (b"frequency_hz,loss_db\n13,5e9,2\n2e9,3\n", 2, "", "3 values under 2 columns"),
        (b"frequency_hz,loss_db,uncertainty_db\n1e9,2,-0.1\n2e9,3,0\n", 2, "uncertainty_db", "below zero"),
        (b"frequency_hz,loss_db\n1e9,\xff\n", 2, "", "is not UTF-8"),
        (b"PK\x03\x04\x00\x00binary", 1, "frequency_hz", "missing"),
    ],
)
def test_a_table_that_cannot_be_used_says_which_line_and_column(content: bytes, line: int | None, key: str, says: str) -> None:
    """A wrong correction is wrong in every point of the record."""
    with pytest.raises(FileError) as caught:
        read_loss_table(content, "t.csv")

    found = [m for m in caught.value.mistakes if (m.line, m.key) == (line, key)]
    assert len(found) == 1, caught.value.mistakes
    assert says in found[0].message


def test_every_bad_row_is_told_up_to_a_page_of_them() -> None:
    """A whole column in the wrong unit is not five hundred lines of messages."""
    content = b"frequency_hz,loss_db\n" + b"".join(b"%de9,x\n" % n for n in range(1, 500))

    with pytest.raises(FileError, match="the rest was not read") as caught:
        read_loss_table(content, "t.csv")

    assert len(caught.value.mistakes) == 21


@settings(deadline=None)
@given(st.floats(10e9, 13e9))
def test_between_rows_a_path_is_linear_in_frequency(frequency_hz: float) -> None:
    """numpy's interpolation is the reference; ours is called at every point and uses no arrays."""
    grid = PATH.frequencies_hz

    assert PATH.loss_db(frequency_hz) == pytest.approx(np.interp(frequency_hz, grid, PATH.losses_db), abs=1e-9)
    assert PATH.uncertainty_db(frequency_hz) == pytest.approx(np.interp(frequency_hz, grid, PATH.uncertainties_db), abs=1e-9)
    low, high = PATH.loss_bounds_db(frequency_hz)
    assert high - low == pytest.approx(2 * PATH.uncertainty_db(frequency_hz), abs=1e-9)
    assert type(PATH.loss_db(frequency_hz)) is float


@settings(deadline=None)
@given(st.floats(10e9, 13e9), st.floats(10e9, 13e9), st.floats(0, 1))
def test_the_extremes_over_a_span_hold_everywhere_in_it(one_hz: float, other_hz: float, part: float) -> None:
    """The proof before power asks for a span; nothing may hide between two of its frequencies."""
    low_hz, high_hz = sorted((one_hz, other_hz))
    inside_hz = min(max(low_hz + part * (high_hz - low_hz), low_hz), high_hz)

    lowest, highest = PATH.extremes_db(low_hz, high_hz)

    assert lowest - 1e-9 <= PATH.loss_db(inside_hz) <= highest + 1e-9
    assert PATH.minimum_loss_db(low_hz, high_hz) == lowest
    assert PATH.uncertainty_db(inside_hz) <= PATH.largest_uncertainty_db(low_hz, high_hz) + 1e-9


def test_rows_themselves_are_exact() -> None:
    """No rounding where nothing is interpolated."""
    assert [PATH.loss_db(hz) for hz in PATH.frequencies_hz] == [1.0, 2.0, -1.0]
    assert PATH.extremes_db(10.5e9, 12e9) == (0.5, 2.0)


@pytest.mark.parametrize("frequency_hz", [9.999e9, 13.001e9, math.nan, math.inf, -1.0])
def test_outside_its_table_a_path_has_no_loss(frequency_hz: float) -> None:
    """Extrapolated loss is a guess with a decimal point. The error names file, frequency and band."""
    assert not PATH.covers(frequency_hz, frequency_hz)
    for ask in (PATH.loss_db, PATH.uncertainty_db, PATH.loss_bounds_db):
        with pytest.raises(FileError, match=r"input\.csv: path input: .* is outside 10 GHz to 13 GHz"):
            ask(frequency_hz)


def test_a_fixed_loss_holds_over_its_band_or_everywhere() -> None:
    """A pad's data sheet says 20 dB; the bench file may say up to where."""
    bench = load_bench_text(BENCH, "bench.yaml", TABLES)
    everywhere = LossPath.fixed("pad", 20.0, 0.2, "bench.yaml")

    assert bench.paths["output"].covers(10e9, 18e9)
    assert not bench.paths["output"].covers(9e9, 18e9)
    assert everywhere.loss_db(1.0) == everywhere.loss_db(110e9) == 20.0
    assert everywhere.extremes_db(1.0, 1e9) == (20.0, 20.0)


def test_a_bench_built_from_a_records_texts_is_the_same_bench(tmp_path: Path) -> None:
    """Repeating a measurement years later must not depend on files that may have changed since."""
    folder = tmp_path / "bench"
    (folder / "paths").mkdir(parents=True)
    (folder / "bench.yaml").write_bytes(BENCH.replace("\n", "\r\n").encode())
    (folder / "paths" / "input.csv").write_bytes(INPUT_TABLE)
    bench = load_bench(folder / "bench.yaml")
    (folder / "paths" / "input.csv").unlink()

    again = load_bench_text(bench.text, bench.path.name, bench.table_files, folder)

    assert again.file == bench.file
    assert again.paths == bench.paths
    assert again.path == bench.path
    assert again.text == bench.text == (folder / "bench.yaml").read_bytes().decode()
    assert bench.table_files == {"paths/input.csv": INPUT_TABLE}


def test_a_table_beside_the_bench_files_folder_is_found_from_any_place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Names are relative to the file that names them, wherever the command is run."""
    (tmp_path / "benches").mkdir()
    (tmp_path / "shared.csv").write_bytes(INPUT_TABLE)
    (tmp_path / "benches" / "b.yaml").write_text(BENCH.replace("paths/input.csv", "../shared.csv"), encoding="utf-8")
    monkeypatch.chdir(tmp_path / "benches")

    bench = load_bench(Path("b.yaml"))

    assert list(bench.table_files) == ["../shared.csv"]


def test_a_driver_nobody_installed_is_a_mistake_on_this_computer(tmp_path: Path) -> None:
    """Found before anything is opened; a record read elsewhere does not need it."""
    text = BENCH.replace("scpi-source", "scpi-sorce")
    (tmp_path / "paths").mkdir()
    (tmp_path / "paths" / "input.csv").write_bytes(INPUT_TABLE)
    (tmp_path / "b.yaml").write_text(text, encoding="utf-8")

    with pytest.raises(FileError, match="unknown driver 'scpi-sorce'; did you mean scpi-source"):
        load_bench(tmp_path / "b.yaml")
    assert load_bench_text(text, "b.yaml", TABLES).file.instruments["source"].driver == "scpi-sorce"
