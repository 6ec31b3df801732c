"""Platinum resistors against IEC 60751."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from benchkit.quantities import pt100_resistance_ohm, pt100_temperature_degc

# Source: IEC 60751, table of the Pt100; where each value is from stands at the top of the file.
LINES = (Path(__file__).parent / "data" / "iec60751_pt100.csv").read_text(encoding="utf-8").splitlines()
ROWS = list(csv.DictReader(line for line in LINES if not line.startswith("#")))
TABLE = [(float(row["temperature_degc"]), float(row["table_ohm"])) for row in ROWS if row["table_ohm"]]
CALCULATED = [(float(row["temperature_degc"]), float(row["calculated_ohm"])) for row in ROWS]


@pytest.mark.parametrize(("temperature_degc", "resistance_ohm"), TABLE)
def test_the_printed_table_is_reproduced(temperature_degc: float, resistance_ohm: float) -> None:
    """The table is printed to 0.01 ohm, so half a digit is all the difference there may be."""
    assert pt100_resistance_ohm(temperature_degc) == pytest.approx(resistance_ohm, abs=0.005 + 1e-9)
    # dR/dt is 0.29 to 0.43 ohm/K: half a digit is 0.017 K at most.
    if temperature_degc not in (-200.0, 850.0):  # the printed ends are rounded beyond the sensor's range
        assert pt100_temperature_degc(resistance_ohm) == pytest.approx(temperature_degc, abs=0.0175)


@pytest.mark.parametrize(("temperature_degc", "resistance_ohm"), CALCULATED)
def test_the_standards_equation_is_reproduced(temperature_degc: float, resistance_ohm: float) -> None:
    """Callendar-Van Dusen, from another program, to all its printed digits."""
    assert pt100_resistance_ohm(temperature_degc) == pytest.approx(resistance_ohm, abs=6e-6)


def test_the_slope_at_zero_is_the_standards() -> None:
    """IEC 60751 defines alpha = (R100 - R0) / (100 K R0) = 0.003851 per kelvin."""
    alpha = (pt100_resistance_ohm(100.0) - pt100_resistance_ohm(0.0)) / (100.0 * 100.0)

    assert alpha == pytest.approx(0.003851, abs=5e-7)
