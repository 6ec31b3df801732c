"""Outside checks of the report's population section, as printed: NIST StRD, Montgomery's piston rings, ISO 16269-6 factors."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchkit.report.options import parse_tolerance
from benchkit.report.population import PopulationRow, population_of
from tests.report.many import source_of

DATA = Path(__file__).parent / "data"


def printed(
    values: np.ndarray, *, per_wafer: int = 0, limits: tuple[float, float] | None = None, asked: str = ""
) -> PopulationRow:
    """One unit for each value, in their order; `per_wafer` of them on a wafer."""
    units = [f"L07-W{n // per_wafer + 1 if per_wafer else 1}-{n:03}" for n in range(values.size)]
    sources = [source_of(unit, float(x), limits=[limits] if limits else []) for unit, x in zip(units, values, strict=True)]
    found = population_of(sources, parse_tolerance(asked) if asked else None)
    assert found is not None
    return found.tables[0].rows[0]


def test_mean_and_standard_deviation_of_a_nist_reference_set() -> None:
    """NIST StRD, univariate, Michelso: certified mean 299.8524 and standard deviation 0.0790105478190518; n 100."""
    row = printed(pd.read_csv(DATA / "strd_michelso.csv", comment="#").iloc[:, -1].to_numpy(dtype=float))

    assert row.count == 100
    # Without an uncertainty four significant digits are printed.
    assert float(row.mean) == pytest.approx(299.8524, abs=0.05)
    assert float(row.deviation) == pytest.approx(0.0790105478190518, abs=5e-4)


def test_capability_of_published_piston_rings_with_wafers_as_subgroups() -> None:
    """Montgomery, 25 subgroups of 5, limits 73.95 and 74.05: Cp 1.70, Cpk 1.66; overall Pp 1.655, Ppk 1.616."""
    rings = pd.read_csv(DATA / "piston_rings.csv", comment="#").to_numpy(dtype=float)

    row = printed(rings.ravel(), per_wafer=5, limits=(73.95, 74.05))

    assert row.count == 125
    assert "Cp 1.70" in row.capability
    assert "Cpk 1.66" in row.capability
    assert "Ppk 1.62" in row.capability


def test_the_tolerance_interval_uses_a_published_factor() -> None:
    """Statistics for Environmental Engineers, Table 21.1: n 10, 95 % of parts, 95 % confidence: k 3.39."""
    assert "(k = 3.39)" in printed(np.linspace(27.0, 28.0, 10), asked="95/95").tolerance
