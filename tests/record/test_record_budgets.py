"""What an uncertainty is made of goes into the record and comes back, and its absence in an older record is no mistake."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from benchkit.errors import FormatError
from benchkit.record import Record
from benchkit.record.findings import budgets_table, results_from
from benchkit.results.result import Result
from benchkit.results.uncertainty import Contribution
from tests.scenario import SHORT

RECORDS = Path(__file__).parents[1] / "data" / "records"


def test_budgets_come_back_as_they_were(tmp_path: Path) -> None:
    import benchkit

    outcome = benchkit.rehearse(SHORT, tmp_path / "a.h5")

    with Record.open(outcome.record) as record:
        assert [one.budget for one in record.results()] == [one.budget for one in outcome.results]
        assert any(one.budget for one in record.results())
        table = record.budgets_table()
        assert set(table["result"]) <= set(range(len(outcome.results)))
        for index, rows in table.groupby("result"):
            expanded = outcome.results[index].expanded_uncertainty
            assert 2 * math.hypot(*rows["amount"]) == pytest.approx(expanded)


def test_a_record_from_before_budgets_reads_without_them() -> None:
    with Record.open(RECORDS / "version-1-sealed.h5") as record:
        assert record.budgets_table().empty
        assert all(one.budget == () for one in record.results())


def test_a_line_of_no_result_is_refused() -> None:
    """A budget on the wrong number would be worse than none."""
    budget = (Contribution("path", 0.1), Contribution("few", 0.2, -1.0, 3.0, "rectangular"))
    columns, arrays = budgets_table([Result("p1db", 1.0, "dBm", "device output", budget=budget)])
    line = {column.name: array[0] for column, array in zip(columns, arrays, strict=True)}

    with pytest.raises(FormatError, match="no row of the 0 results"):
        results_from([], [line])
