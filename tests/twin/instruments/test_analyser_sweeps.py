"""The simulated spectrum analyser's traces, and what its own mixer adds to them."""

from __future__ import annotations

import struct

import pytest

F1, F2 = 14.12e9, 14.13e9
CLEAN = {"noise": "0 dB", "resolution": "0.000001 dB"}
RATED = {"intercept_dbm": 15.0, "second_intercept_dbm": 45.0, "noise_floor_dbm": -150.0, "accuracy_db": 0.0}


def marker(analyser, frequency_hz: float) -> float:
    analyser.write(f"FREQ:CENT {frequency_hz};:CALC:MARK1:X {frequency_hz}")
    return analyser.number("INIT:IMM;*WAI;:CALC:MARK1:Y?")


def tuned(make, attenuation_db: float = 0.0, **settings):
    analyser = make("analyser", twin=CLEAN, settings=RATED | settings)
    analyser.write(f"FREQ:SPAN 100 KHZ;:BAND 1 KHZ;:INP:ATT {attenuation_db}")
    return analyser


def test_two_tones_meet_in_its_mixer(make, world):
    """2 L1 + L2 - 2 IP3: the definition of the intercept. The device has made nothing of this."""
    world.lines = [(F1, -10.0), (F2, -10.0)]
    analyser = tuned(make)

    assert marker(analyser, 2 * F1 - F2) == pytest.approx(3 * -10.0 - 2 * 15.0, abs=0.05)
    assert marker(analyser, F1) == pytest.approx(-10.0, abs=0.01)


def test_attenuation_takes_its_own_products_away_two_for_one(make, world):
    """How one tells the analyser's products from the device's. Common practice, no source."""
    world.lines = [(F1, -10.0), (F2, -10.0)]
    without, within = (marker(tuned(make, attenuation_db), 2 * F2 - F1) for attenuation_db in (0.0, 10.0))

    assert without - within == pytest.approx(20.0, abs=0.5)


def test_its_own_product_adds_to_the_devices_with_a_phase_of_its_own(make, world):
    """Equal in size they make anything from nothing to 6 dB more; an amplitude error, not a power sum."""
    world.lines = [(F1, -10.0), (F2, -10.0), (2 * F1 - F2, -60.0)]
    level_dbm = marker(tuned(make), 2 * F1 - F2)

    assert level_dbm <= -60.0 + 6.03
    assert abs(level_dbm - -60.0) > 0.05


def test_its_own_second_harmonic_falls_one_for_one_with_attenuation(make, world):
    world.lines = [(10e9, -10.0)]
    analyser = tuned(make)
    without = marker(analyser, 20e9)
    analyser.write("INP:ATT 10")

    assert without == pytest.approx(2 * -10.0 - 45.0, abs=0.05)
    assert without - marker(analyser, 20e9) == pytest.approx(10.0, abs=0.2)


def test_noise_is_the_rated_floor_in_the_bandwidth(make):
    analyser = tuned(make, 10.0)
    levels = [marker(analyser, 14e9) for _ in range(30)]

    assert sum(levels) / len(levels) == pytest.approx(-150.0 + 30.0 + 10.0, abs=0.5)


def test_with_a_peak_detector_no_line_falls_between_points(make, world):
    """In a wide sweep points lie further apart than the filter is wide; a spur between them would be missed."""
    world.lines = [(13.9876543e9, -40.0)]

    def highest(detector: str) -> float:
        analyser = make("analyser", twin=CLEAN, settings=RATED)
        analyser.write(f"FREQ:CENT 14 GHZ;SPAN 2 GHZ;:BAND 100 KHZ;:SWE:POIN 101;:DET {detector}")
        analyser.ask("INIT;*WAI;:CALC:MARK1:Y?")
        return max(float(text) for text in analyser.ask("TRAC? TRACE1").split(","))

    assert highest("POS") == pytest.approx(-40.0, abs=0.1)
    assert highest("AVER") < -60.0


def test_a_narrow_filter_sweeps_longer(make):
    """It must settle while it is swept over: span over bandwidth squared."""
    analyser = make("analyser")
    analyser.write("FREQ:CENT 14 GHZ;SPAN 10 MHZ;:BAND 100 KHZ")
    assert analyser.number("SWE:TIME?") == pytest.approx(0.1)
    analyser.write("BAND 1 KHZ")
    assert analyser.number("SWE:TIME?") == pytest.approx(20.0)


def test_a_trace_comes_as_64_bit_numbers_too(make, world):
    world.lines = [(14e9, -20.0)]
    analyser = tuned(make)
    analyser.write("FREQ:CENT 14 GHZ;:SWE:POIN 11;:FORM REAL,64;:FORM:BORD SWAP")

    data = analyser.ask("INIT;*WAI;:TRAC? TRACE1").encode("latin-1")

    assert analyser.ask("FORM?") == "REAL,64"
    assert data[:4] == b"#288"
    assert struct.unpack("<11d", data[4:])[5] == pytest.approx(-20.0, abs=0.01)


def test_its_attenuator_has_the_steps_of_its_file(make):
    analyser = make("analyser", settings={"attenuation_step_db": 10.0, "attenuation_max_db": 60.0})
    analyser.write("INP:ATT 14")
    assert analyser.number("INP:ATT?") == 10.0
    analyser.write("INP:ATT 70")
    assert analyser.errors() == [-222]
