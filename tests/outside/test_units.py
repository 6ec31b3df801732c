"""Levels and units against their definitions."""

from __future__ import annotations

import math

import pytest

from benchkit.quantities import (
    db_from_ratio,
    dbm_from_volts_rms,
    dbm_from_watts,
    parse_quantity,
    ratio_from_db,
    watts_from_dbm,
)


@pytest.mark.parametrize(
    ("level_dbm", "power_w", "tolerance"),
    [
        # Definition: 0 dBm is 1 mW.
        (0.0, 1e-3, 1e-15),
        (30.0, 1.0, 1e-12),
        (-30.0, 1e-6, 1e-18),
        # D. M. Pozar, Microwave Engineering, 4th ed. (Wiley, 2012), example 12.9, p. 600-601: 23.6 dBm = 229 mW, 40 dBm = 10 W.
        (23.6, 0.229, 0.0005),
        (40.0, 10.0, 1e-9),
    ],
)
def test_dbm_is_defined_against_one_milliwatt(level_dbm: float, power_w: float, tolerance: float) -> None:
    """Both ways."""
    assert watts_from_dbm(level_dbm) == pytest.approx(power_w, abs=tolerance)
    assert dbm_from_watts(power_w) == pytest.approx(level_dbm, abs=0.01 if power_w == 0.229 else 1e-9)


def test_dbm_in_fifty_ohm_is_the_textbooks_voltage() -> None:
    """P = V^2 / R: 0 dBm in 50 ohm is 223.607 mV rms (106.99 dBuV), 30 dBm is 7.0711 V rms. Definition, from memory."""
    assert dbm_from_volts_rms(0.2236068) == pytest.approx(0.0, abs=1e-6)
    assert dbm_from_volts_rms(7.0710678) == pytest.approx(30.0, abs=1e-6)
    assert 20 * math.log10(0.2236068 / 1e-6) == pytest.approx(106.9897, abs=1e-4)
    assert dbm_from_volts_rms(1.0, 600.0) == pytest.approx(10 * math.log10(1000 / 600), abs=1e-12)


def test_a_decibel_is_a_tenth_of_a_bel() -> None:
    """IEC 60027-3 (ISO 80000): level difference of powers L = 10 lg(P1/P2) dB; 3.0103 dB is a factor of two."""
    assert db_from_ratio(2.0) == pytest.approx(3.010299956639812, abs=1e-15)
    assert ratio_from_db(10.0) == pytest.approx(10.0, rel=1e-15)


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        # The SI brochure (BIPM, 9th ed., 2019), table 7 (prefixes) and table 8 (minute, hour, degree Celsius).
        ("1 THz", "Hz", 1e12), ("1 GHz", "Hz", 1e9), ("1 MHz", "Hz", 1e6), ("1 kHz", "Hz", 1e3),
        ("1 mV", "V", 1e-3), ("1 uV", "V", 1e-6), ("1 nA", "A", 1e-9), ("1 pA", "A", 1e-12),
        ("1 min", "s", 60.0), ("1 h", "s", 3600.0),
        ("273.15 K", "degC", 0.0), ("0 K", "degC", -273.15),
    ],
)  # fmt: skip
def test_prefixes_and_accepted_units_are_those_of_the_si(text: str, unit: str, value: float) -> None:
    """Exact by definition, so exact here."""
    assert parse_quantity(text, unit) == value
