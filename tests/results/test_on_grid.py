"""A fixture's S-parameters at the frequencies of a sweep: exact where known, close where dense, refused elsewhere."""

from __future__ import annotations

import numpy as np
import pytest

from benchkit.results.on_grid import LARGEST_SAG, on_grid
from tests.results.two_ports import line

KNOWN = np.linspace(10e9, 15e9, 51)
DELAY_S = 0.1e-9
S = line(360 * KNOWN * DELAY_S, 0.3)


def test_known_frequencies_come_back_untouched() -> None:
    assert (on_grid(KNOWN, S, KNOWN[10:20]) == S[10:20]).all()


def test_between_close_points_a_line_is_a_line() -> None:
    """Here it turns 3.6 degrees between points: by r (1 - cos 1.8 deg), 0.0005, at most."""
    wanted = np.array([10.05e9, 12.333e9, 14.95e9])
    error = np.abs(on_grid(KNOWN, S, wanted) - line(360 * wanted * DELAY_S, 0.3)).max()
    assert 0 < error < 0.0005 < LARGEST_SAG


def test_a_file_that_is_too_coarse_is_refused() -> None:
    coarse = np.array([10e9, 12.5e9, 15e9])
    with pytest.raises(ValueError, match=r"S21 turns by 90 degrees after 10 GHz|S12 turns by 90 degrees after 10 GHz"):
        on_grid(coarse, line(360 * coarse * DELAY_S), [11e9])


@pytest.mark.parametrize("wanted", [9.99e9, 15.01e9])
def test_nothing_is_extrapolated(wanted: float) -> None:
    with pytest.raises(ValueError, match="outside its band, 10 to 15 GHz"):
        on_grid(KNOWN, S, [wanted])
