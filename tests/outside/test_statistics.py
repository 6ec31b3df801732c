"""Outside checks of the sums under every type A uncertainty: NIST StRD, univariate summary statistics."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from benchkit.results import repeated

DATA = Path(__file__).parent / "data"

# Certified mean and standard deviation, and the relative error allowed. NumAcc3 and NumAcc4 are built to lose digits:
# their data are not binary fractions, so 9 and 8 digits are what any double-precision sum can give.
CERTIFIED = {
    "michelso": (299.8524, 0.0790105478190518, 1e-13),
    "mavro": (2.001856, 0.000429123454003053, 1e-12),
    "numacc1": (10000002.0, 1.0, 1e-15),
    "numacc2": (1.2, 0.1, 1e-14),
    "numacc3": (1000000.2, 0.1, 1e-9),
    "numacc4": (10000000.2, 0.1, 1e-8),
}


def readings(name: str) -> list[float]:
    """The StRD data; the four NumAcc sets are given by their rule, as NIST generates them."""
    alternating = {"numacc2": (1.2, 1.1, 1.3), "numacc3": (1e6 + 0.2, 1e6 + 0.1, 1e6 + 0.3)}
    alternating["numacc4"] = (1e7 + 0.2, 1e7 + 0.1, 1e7 + 0.3)
    if name == "numacc1":
        return [10000001.0, 10000003.0, 10000002.0]
    if name in alternating:
        first, low, high = alternating[name]
        return [first, *[low, high] * 500]
    return [float(y) for y in pd.read_csv(DATA / f"strd_{name}.csv", comment="#").y]


@pytest.mark.parametrize("name", CERTIFIED)
def test_mean_and_standard_deviation_reproduce_the_certified_digits(name):
    mean, deviation, tolerance = CERTIFIED[name]
    values = readings(name)

    summary = repeated(np.array(values))

    assert summary.count == len(values)
    assert summary.mean == pytest.approx(mean, rel=1e-14)
    assert summary.standard_deviation == pytest.approx(deviation, rel=tolerance)
    assert summary.standard_of_mean == pytest.approx(deviation / math.sqrt(len(values)), rel=max(tolerance, 1e-15))
