"""Outside checks of populations: published tolerance factors, NIST/SEMATECH's worked example, Montgomery's piston rings."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchkit.results import Capability, capability, mean_range_factor, tolerance_factor

DATA = Path(__file__).parent / "data"


def test_two_sided_tolerance_factors_of_a_published_table():
    """Statistics for Environmental Engineers, Table 21.1: 14 sizes, 90, 95 and 99 % content, 95 % confidence."""
    table = pd.read_csv(DATA / "tolerance_factors.csv", comment="#")

    for row in table.itertuples():
        for percent in (90, 95, 99):
            exact, published = getattr(row, f"two_{percent}"), getattr(row, f"published_{percent}")
            found = tolerance_factor(row.count, content=percent / 100, confidence=0.95)
            assert found == pytest.approx(exact, abs=6e-5)
            if not np.isnan(published):
                assert found == pytest.approx(published, abs=6e-3)
    assert table.published_95.notna().sum() == 14


def test_one_sided_tolerance_factors():
    """ISO 16269-6: n 5, 95/95 is 4.203; n 10 is 2.911 (both from memory); the rest by the noncentral t, other software."""
    for row in pd.read_csv(DATA / "tolerance_factors.csv", comment="#").itertuples():
        for percent in (90, 95, 99):
            found = tolerance_factor(row.count, content=percent / 100, confidence=0.95, side="lower")
            assert found == pytest.approx(getattr(row, f"one_{percent}"), abs=6e-5)
    assert tolerance_factor(5, content=0.95, confidence=0.95, side="upper") == pytest.approx(4.203, abs=5e-4)
    assert tolerance_factor(10, content=0.95, confidence=0.95, side="upper") == pytest.approx(2.911, abs=5e-4)


def test_worked_example_of_the_nist_handbook():
    """
    NIST/SEMATECH, 7.2.6.3: n 43, 90 % content, 99 % confidence. It prints 1.8752 and 2.2173 by approximations (Natrella,
    Howe); the exact factors are 1.8739536 and 2.2228252 (computed with other software), 0.07 and 0.25 % away.
    """
    one = tolerance_factor(43, content=0.90, confidence=0.99, side="lower")
    two = tolerance_factor(43, content=0.90, confidence=0.99)

    assert one == pytest.approx(1.8739536, abs=1e-6)
    assert two == pytest.approx(2.2228252, abs=1e-6)
    assert one == pytest.approx(1.8752, rel=1e-3)
    assert two == pytest.approx(2.2173, rel=3e-3)


def test_capability_of_published_piston_rings():
    """Montgomery: mean 74.00118, mean range 0.02276, Cp 1.70, Cpk 1.66; with the overall scatter Pp 1.655, Ppk 1.616."""
    rings = pd.read_csv(DATA / "piston_rings.csv", comment="#").to_numpy()

    found = capability(rings.ravel(), minimum=73.95, maximum=74.05, subgroup_size=5)

    assert isinstance(found, Capability)
    assert found.mean == pytest.approx(74.00118, abs=5e-6)
    assert found.within * mean_range_factor(5) == pytest.approx(0.02276, abs=5e-6)
    assert (found.cp, found.cpk) == pytest.approx((1.70, 1.66), abs=5e-3)
    assert (found.pp, found.ppk) == pytest.approx((1.655, 1.616), abs=6e-4)


def test_capability_of_the_nist_handbook():
    """NIST/SEMATECH, 6.1.6 (from memory): limits 8 and 20, mean 16, standard deviation 2: Cp 1, Cpk 0.6667."""
    parts = 16 + 2 * np.array([-1.0, 1.0]) / np.sqrt(2)  # mean 16, standard deviation 2

    found = capability(parts, minimum=8.0, maximum=20.0)

    assert isinstance(found, Capability)
    assert (found.pp, found.ppk) == pytest.approx((1.0, 2 / 3), abs=1e-12)


@pytest.mark.parametrize(("count", "published"), [(2, 1.128), (3, 1.693), (4, 2.059), (5, 2.326), (10, 3.078), (25, 3.931)])
def test_mean_range_factors_of_every_control_chart_table(count, published):
    """d2 as tabulated in Montgomery, appendix VI (and ASTM Manual 7)."""
    assert mean_range_factor(count) == pytest.approx(published, abs=5e-4)
