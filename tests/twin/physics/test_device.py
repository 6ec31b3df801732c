"""The device's own answer: smooth, monotone, never more out than in, and where the scenario says it compresses."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim_instruments.device_file import DeviceFile
from sim_instruments.physics.device import ChannelDevice, Response
from sim_instruments.physics.spread import UnitSpread

F0_HZ = 14.1e9
NOMINAL_DEGC = 40.0


class _NoSpread(UnitSpread):
    def deviate(self, quantity: str) -> float:
        return 0.0


@pytest.fixture(scope="module")
def nominal(device_file: DeviceFile) -> ChannelDevice:
    return ChannelDevice(device_file, _NoSpread("", ""))


def bias(device: ChannelDevice, current_a: float = 0.22, degc: float = NOMINAL_DEGC) -> float:
    low, high = -1.6, -0.2
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if device.quiescent_current_a(6.0, middle, degc) < current_a else (low, middle)
    return low


def sweep(device: ChannelDevice, levels: np.ndarray, degc: float = NOMINAL_DEGC) -> list[Response]:
    gate_v = bias(device, degc=degc)
    return [device.respond(F0_HZ, float(level), 6.0, gate_v, degc) for level in levels]


def compression_point(device: ChannelDevice, degc: float = NOMINAL_DEGC) -> tuple[float, float, Response]:
    """Input, output and answer at 1 dB compression, from a dense sweep. [dBm]"""
    levels = np.arange(-30.0, 15.0, 0.005)
    answers = sweep(device, levels, degc)
    gains = np.array([a.output_dbm for a in answers]) - levels
    index = int(np.argmax(gains <= gains[0] - 1.0))
    return float(levels[index]), answers[index].output_dbm, answers[index]


def test_the_nominal_device_compresses_where_the_scenario_says(nominal: ChannelDevice) -> None:
    """P1dB about +27 dBm and saturation about +29 dBm; Rapp with p = 2 puts them 2.165 dB apart."""
    _, output_dbm, _ = compression_point(nominal)
    saturated = sweep(nominal, np.array([35.0]))[0].output_dbm

    assert output_dbm == pytest.approx(27.0, abs=0.2)
    assert saturated == pytest.approx(29.2, abs=0.1)
    assert output_dbm - 29.2 == pytest.approx(-2.165, abs=0.01)


def test_gain_falls_and_output_rises_monotonically_with_drive(nominal: ChannelDevice) -> None:
    """No kink for a search to trip over: first differences keep their sign, second ones stay small."""
    levels = np.arange(-40.0, 20.0, 0.05)
    outputs = np.array([a.output_dbm for a in sweep(nominal, levels)])
    gains = outputs - levels

    assert (np.diff(outputs) > 0).all()
    assert (np.diff(gains) < 1e-12).all()
    assert np.abs(np.diff(gains, 2)).max() < 1e-3


def test_drain_current_rises_smoothly_with_drive(nominal: ChannelDevice) -> None:
    levels = np.arange(-40.0, 20.0, 0.05)
    currents = np.array([a.drain_current_a for a in sweep(nominal, levels)])

    assert (np.diff(currents) >= 0).all()
    assert currents[0] == pytest.approx(0.22, rel=1e-3)
    assert 0.26 < compression_point(nominal)[2].drain_current_a < 0.29


@settings(deadline=None)
@given(
    input_dbm=st.floats(-60, 25),
    drain_v=st.floats(0, 8),
    gate_v=st.floats(-4, 0.4),
    degc=st.floats(-60, 180),
    frequency_hz=st.floats(1e9, 40e9),
)
def test_no_more_leaves_than_goes_in(
    nominal: ChannelDevice, input_dbm: float, drain_v: float, gate_v: float, degc: float, frequency_hz: float
) -> None:
    """Conservation of energy, for any setting somebody may find."""
    answer = nominal.respond(frequency_hz, input_dbm, drain_v, gate_v, degc)

    assert answer.dissipation_w >= 0
    assert all(math.isfinite(value) for value in answer)


@settings(deadline=None)
@given(gate_v=st.floats(-2, 0.4), drain_v=st.floats(0.01, 8), degc=st.floats(-60, 150))
def test_more_gate_is_more_current(nominal: ChannelDevice, gate_v: float, drain_v: float, degc: float) -> None:
    """The search for the quiescent current relies on it."""
    lower, higher = (nominal.quiescent_current_a(drain_v, v, degc) for v in (gate_v, gate_v + 0.01))

    assert higher > lower > 0


def test_pinch_off_holds_the_device_off(nominal: ChannelDevice) -> None:
    assert nominal.quiescent_current_a(6.0, -2.5, 85.0) < 1e-4
    assert nominal.quiescent_current_a(6.0, 0.0, 25.0) > 0.55
    assert bias(nominal) == pytest.approx(-0.75, abs=0.05)


def test_a_pinched_device_leaks_but_does_not_amplify(nominal: ChannelDevice) -> None:
    answer = nominal.respond(F0_HZ, 0.0, 6.0, -2.5, NOMINAL_DEGC)

    assert answer.output_dbm < -15.0


def test_gate_current_is_microamperes_and_rises_near_saturation(nominal: ChannelDevice) -> None:
    small, large = sweep(nominal, np.array([-20.0, 12.0]))

    assert -1e-5 < small.gate_current_a < 0
    assert 1e-4 < large.gate_current_a < 1e-3
    assert nominal.gate_current_a(0.0, 1.0, NOMINAL_DEGC) > 0.02


def test_complex_gain_has_the_answers_magnitude_and_phase(nominal: ChannelDevice) -> None:
    answer = nominal.respond(F0_HZ, 2.0, 6.0, -0.75, NOMINAL_DEGC)
    gain = nominal.complex_gain(F0_HZ, 2.0, drain_v=6.0, gate_v=-0.75, channel_degc=NOMINAL_DEGC)

    assert 20 * math.log10(abs(gain)) == pytest.approx(answer.output_dbm - 2.0)
    assert math.degrees(cmath.phase(gain)) % 360 == pytest.approx(answer.phase_deg % 360)


def test_phase_turns_by_some_degrees_into_compression(nominal: ChannelDevice) -> None:
    input_dbm, _, answer = compression_point(nominal)
    small = sweep(nominal, np.array([input_dbm - 30.0]))[0]

    assert 3.0 < answer.phase_deg - small.phase_deg < 12.0


def test_the_band_is_flat_inside_and_falls_outside(nominal: ChannelDevice) -> None:
    inside = [nominal.small_signal_gain_db(f) for f in np.arange(13.75e9, 14.501e9, 25e6)]

    assert max(inside) - min(inside) < 1.0
    assert 23.0 < min(inside) < max(inside) < 25.0
    assert nominal.small_signal_gain_db(11e9) < min(inside) - 20
    assert nominal.small_signal_gain_db(18e9) < min(inside) - 20


def test_two_tones_would_mix_because_the_answer_is_nonlinear(nominal: ChannelDevice) -> None:
    """
    A two-tone envelope put through AM/AM and AM/PM has third-order products that fall 3 dB for each dB of drive, far
    enough below compression; nothing in the model says so. Slope 3: Pozar, Microwave Engineering, 4th ed., 10.3. AM/PM
    that starts in proportion to power gives it too.
    """
    gate_v = bias(nominal)

    def third_order_dbm(tone_dbm: float) -> float:
        phase = 2 * np.pi * np.arange(256) / 256
        envelope = 2 * np.cos(phase)  # two equal tones, each of amplitude one
        out = np.empty(256, dtype=complex)
        for index, value in enumerate(envelope):
            level = tone_dbm + 20 * math.log10(abs(value)) if abs(value) > 1e-9 else -150.0
            gain = nominal.complex_gain(F0_HZ, level, drain_v=6.0, gate_v=gate_v, channel_degc=NOMINAL_DEGC)
            out[index] = gain * value
        spectrum = np.fft.fft(out) / 256
        return tone_dbm + 20 * math.log10(abs(spectrum[3]))

    slope = (third_order_dbm(-20.0) - third_order_dbm(-24.0)) / 4.0

    assert slope == pytest.approx(3.0, abs=0.05)


def test_harmonics_fall_faster_than_the_carrier(nominal: ChannelDevice) -> None:
    low, high = sweep(nominal, np.array([-15.0, -5.0]))
    second = [nominal.harmonics(F0_HZ, a)[0] for a in (low, high)]

    assert second[0][0] == 2 * F0_HZ
    assert (second[1][1] - second[0][1]) / (high.output_dbm - low.output_dbm) == pytest.approx(2.0, abs=0.01)


def test_units_differ_as_the_device_file_says_and_channels_of_a_unit_less(device_file: DeviceFile) -> None:
    """A lot whose parts were all alike, or whose two channels were strangers, would teach a wrong yield."""

    def gain(unit: str, channel: str) -> float:
        return ChannelDevice(device_file, UnitSpread(unit, channel)).small_signal_gain_db(14.1e9)

    units = [f"L07-W{w}-{n:02d}" for w in range(60) for n in range(1, 6)]
    a = np.array([gain(unit, "A") for unit in units])
    b = np.array([gain(unit, "B") for unit in units])

    assert np.std(a) == pytest.approx(0.29, rel=0.15)
    assert np.std(a - b) < 0.7 * np.std(a) * math.sqrt(2)
    assert gain("L07-W1-01", "A") == gain("L07-W1-01", "A")
    assert gain("L07-W1-01", "A") != gain("L07-W1-02", "A")
