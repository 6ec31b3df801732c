"""The interpolation written out by hand is scipy's, piece by piece."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from benchkit.results.pchip import pchip_piece

WIDTHS = st.floats(1e-3, 1e3)
# Equal neighbours, turns and steep ends are where the slope's rules change.
VALUES = st.one_of(st.sampled_from([-1.0, 0.0, 1.0, 5.0]), st.integers(-(10**6), 10**6).map(lambda n: n / 1000))
CURVES = st.lists(st.tuples(WIDTHS, VALUES), min_size=2, max_size=7)


@given(CURVES, st.data())
def test_every_piece_is_the_one_that_scipy_makes(curve: list[tuple[float, float]], data: st.DataObject) -> None:
    """P1dB and efficiencies are read off these pieces; scipy's PchipInterpolator is the reference from outside."""
    x = np.cumsum([width for width, _ in curve])
    y = np.array([value for _, value in curve])
    index = data.draw(st.integers(0, x.size - 2))
    where = float(x[index] + data.draw(st.floats(0.0, 1.0)) * (x[index + 1] - x[index]))
    whole = PchipInterpolator(x, y)

    piece = pchip_piece(x, y, index)

    scale = float(np.abs(y).max())
    steepest = float(np.abs(np.diff(y) / np.diff(x)).max())
    assert piece.at(where) == pytest.approx(float(whole(where)), rel=0, abs=1e-12 * scale)
    assert piece.slope_at(where) == pytest.approx(float(whole(where, 1)), rel=0, abs=1e-11 * steepest)


def test_a_piece_gives_its_points_exactly() -> None:
    """The search for a crossing brackets between the points; a rounding there would leave it without a change of sign."""
    x, y = np.array([0.1, 0.3, 0.7]), np.array([0.2, 0.7, 0.1])

    piece = pchip_piece(x, y, 0)

    assert (piece.at(0.1), piece.at(0.3)) == (0.2, 0.7)
