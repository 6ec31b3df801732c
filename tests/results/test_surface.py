"""The room's front page is a list that is true, and its reasons and lines are what they say."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest

import benchkit.results as room
from benchkit.results import Absent, fit_line


def test_every_public_name_is_there_and_documented():
    assert sorted(room.__all__, key=lambda n: (not n.isupper(), n[0].islower(), n)) == list(room.__all__)
    for name in room.__all__:
        assert hasattr(room, name)
        thing = getattr(room, name)
        if callable(thing) and hasattr(thing, "__module__") and thing.__module__.startswith("benchkit"):
            assert thing.__doc__


def test_importing_results_does_not_load_scipy():
    """`benchkit --help` may import the kinds of measurement, and they this room; scipy alone would take its time."""
    code = "import sys, benchkit.results; sys.exit('scipy' in sys.modules)"

    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_an_absent_number_needs_its_reason():
    with pytest.raises(ValueError):
        Absent("")


@pytest.mark.parametrize(("x", "y"), [([1], [1]), ([1, 2], [1]), ([1, 1], [1, 2]), ([1, math.nan], [1, 2]), ([[1, 2]], [[1, 2]])])
def test_points_that_make_no_line_are_refused(x, y):
    with pytest.raises(ValueError):
        fit_line(x, y)


def test_a_line_through_two_points_has_no_standard_error():
    """Not zero: two points say nothing about scatter."""
    line = fit_line([0.0, 2.0], [1.0, 5.0])

    assert (line.slope, line.intercept, line(1.0)) == (2.0, 1.0, 3.0)
    assert np.isnan([line.slope_standard_error, line.intercept_standard_error, line.residual_standard_deviation]).all()
