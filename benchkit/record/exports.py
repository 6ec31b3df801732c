"""
A record's tables for other programs: CSV and Parquet.

CSV: the first line is the record's column names, which carry their units (`output_dbm`), and numbers follow at once, so
that pandas and a spreadsheet both read it without being told anything; a second line of units would turn every column
into text. Units, planes and meanings of all columns stand in a further table `columns.csv`. UTF-8 with byte order mark,
because spreadsheets need it and pandas skips it; numbers with as many digits as bring back the same number; NaN is an
empty cell. Parquet: the same tables; units, plane and long_name are metadata of each field, facts of the run metadata
of the table.

Nothing is overwritten, and a failed export leaves nothing behind.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from benchkit.errors import RecordExistsError
from benchkit.record.disk import Disk, record_error
from benchkit.record.reader import Record

if TYPE_CHECKING:
    import pyarrow as pa  # type: ignore[import-untyped]  # pyarrow brings no types

__all__ = ["export_csv", "export_parquet"]


def export_csv(record: Record, target: Path | str) -> list[Path]:
    """
    Write a record as CSV.

    Args:
        record: Open; any state.
        target: A name ending in .csv takes the points, and their columns' units go to `<name>.columns.csv`; any other
            name is a folder, made if need be, that takes every table.

    Returns:
        The files written.

    Raises:
        RecordExistsError: One of the files exists; nothing was written.
        RecordError: No room, or no right to write there; nothing is left behind.
    """
    target = Path(target)
    if target.suffix.lower() == ".csv":
        points = {"points": record.points()}
        tables = {target: points["points"], target.with_suffix(".columns.csv"): _columns(points)}
    else:
        all_of_them = _tables(record)
        tables = {target / f"{name}.csv": table for name, table in all_of_them.items()}
        tables[target / "columns.csv"] = _columns(all_of_them)
    return _write(tables, lambda table, path: table.to_csv(path, mode="x", index=False, encoding="utf-8-sig"))


def export_parquet(record: Record, target: Path | str) -> list[Path]:
    """
    Write a record as Parquet.

    Args:
        record: Open; any state.
        target: A name ending in .parquet takes the points; any other name is a folder, made if need be, that takes
            every table.

    Returns:
        The files written.

    Raises:
        RecordExistsError: One of the files exists; nothing was written.
        RecordError: No room, or no right to write there; nothing is left behind.
    """
    target = Path(target)
    if target.suffix.lower() == ".parquet":
        tables = {target: record.points()}
    else:
        tables = {target / f"{name}.parquet": table for name, table in _tables(record).items()}
    facts = {
        "record_id": record.record_id,
        "state": record.state,
        "outcome": record.outcome,
        "message": record.message,
        "written_by": record.written_by,
        "attributes": json.dumps(record.attributes),
    }
    return _write(tables, lambda table, path: _write_parquet(table, path, facts))


def _tables(record: Record) -> dict[str, pd.DataFrame]:
    tables = {name: record.stream(name) for name in record.streams}
    tables["instruments"] = record.instruments_table()
    if record.is_sealed:
        tables["results"], tables["verdicts"] = record.results_table(), record.verdicts_table()
        if not (budgets := record.budgets_table()).empty:
            tables["budgets"] = budgets
    return tables


def _columns(tables: dict[str, pd.DataFrame]) -> pd.DataFrame:
    rows = [
        {
            "table": name,
            "column": column,
            **{what: table.attrs[what][column] for what in ("units", "plane", "long_name")},
        }
        for name, table in tables.items()
        for column in table.columns
    ]
    return pd.DataFrame(rows, columns=["table", "column", "units", "plane", "long_name"])


def _write_parquet(table: pd.DataFrame, path: Path, facts: dict[str, str]) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq  # type: ignore[import-untyped]  # pyarrow brings no types

    data = pa.Table.from_pandas(table, preserve_index=False)
    fields: list[pa.Field] = [
        data.schema.field(name).with_metadata({what: table.attrs[what][name] for what in ("units", "plane", "long_name")})
        for name in table.columns
    ]
    with path.open("xb") as file:
        pq.write_table(data.cast(pa.schema(fields, {**(data.schema.metadata or {}), **facts})), file)


def _write(tables: dict[Path, pd.DataFrame], write: Callable[[pd.DataFrame, Path], None]) -> list[Path]:
    taken = [path for path in tables if path.exists()]
    if taken:
        raise RecordExistsError(f"{taken[0]} exists; benchkit never overwrites: choose another name, or move it away")
    begun: list[Path] = []
    try:
        for path, table in tables.items():
            path.parent.mkdir(parents=True, exist_ok=True)
            begun.append(path)
            write(table, path)
    except FileExistsError as error:
        for path in begun[:-1]:
            path.unlink(missing_ok=True)
        raise RecordExistsError(f"{begun[-1] if begun else error.filename} exists; benchkit never overwrites") from error
    except OSError as error:
        for path in begun:
            path.unlink(missing_ok=True)
        raise record_error(begun[-1] if begun else next(iter(tables)), "exporting", error, Disk()) from error
    return begun
