"""
Outside check of agreement: EA-4/02 S7 and NIST TN 1900 E11 evaluate the same four readings of one step attenuator.

The same data, so this checks arithmetic and not agreement: no worked En number was found in print.
"""

from __future__ import annotations

import math

import pytest
from uncertainties import ufloat

from benchkit.results import Result, agreement, en_number


def test_two_published_evaluations_of_one_attenuator():
    """30.04325 dB with U 0.0448371 dB against 30.043 dB with U 0.0448 dB (u 0.0224, k = 2): En 0.0039."""
    first = Result("attenuation", 30.04325, "dB", "device", expanded_uncertainty=2 * 0.0224185377162145)
    second = Result("attenuation", 30.043, "dB", "device", expanded_uncertainty=2 * 0.0224)

    row = agreement(first, second)

    assert row.en == pytest.approx(0.0039, abs=5e-5)
    assert row.agrees


def test_shared_parts_agree_with_another_package():
    """The `uncertainties` package keeps track of a variable that two values have in common by itself."""
    sensor = ufloat(0.0, 0.08)
    first, second = ufloat(27.1, 0.05) + sensor, ufloat(26.9, 0.11) + sensor

    found = en_number(27.1, 2 * first.std_dev, 26.9, 2 * second.std_dev, shared_standard=0.08)

    assert found == pytest.approx(0.2 / (2 * (first - second).std_dev), rel=1e-12)
    assert (first - second).std_dev == pytest.approx(math.hypot(0.05, 0.11), rel=1e-12)
