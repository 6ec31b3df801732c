"""Two tones mix because the device's answer is nonlinear. What comes out is what theory and trade say must come out."""

from __future__ import annotations

import math

import pytest

from sim_instruments.device_file import DeviceFile
from sim_instruments.physics.device import ChannelDevice, milliwatts
from sim_instruments.physics.spread import UnitSpread
from sim_instruments.physics.tones import ToneAnswer, respond_to_tones

F0_HZ = 14.125e9
DEGC = 40.0
GATE_V = -0.75


class _NoSpread(UnitSpread):
    def deviate(self, quantity: str) -> float:
        return 0.0


@pytest.fixture(scope="module")
def nominal(device_file: DeviceFile) -> ChannelDevice:
    return ChannelDevice(device_file, _NoSpread("", ""))


def answer(device: ChannelDevice, tone_dbm: float, spacing_hz: float = 10e6, other_db: float = 0.0) -> ToneAnswer:
    tones = [(F0_HZ - spacing_hz / 2, tone_dbm), (F0_HZ + spacing_hz / 2, tone_dbm + other_db)]
    return respond_to_tones(device, tones, 6.0, GATE_V, DEGC)


def level(found: ToneAnswer, frequency_hz: float) -> float:
    levels = [level_dbm for hz, level_dbm in found.lines if abs(hz - frequency_hz) < 1.0]
    return levels[0] if levels else -math.inf


def third(found: ToneAnswer, spacing_hz: float = 10e6) -> tuple[float, float]:
    """Lower and upper third-order line. [dBm]"""
    return level(found, F0_HZ - 1.5 * spacing_hz), level(found, F0_HZ + 1.5 * spacing_hz)


def p1db_dbm(device: ChannelDevice) -> float:
    small = device.respond(F0_HZ, -40.0, 6.0, GATE_V, DEGC).output_dbm + 40.0
    level_dbm = -20.0
    while device.respond(F0_HZ, level_dbm, 6.0, GATE_V, DEGC).output_dbm - level_dbm > small - 1.0:
        level_dbm += 0.01
    return device.respond(F0_HZ, level_dbm, 6.0, GATE_V, DEGC).output_dbm


def test_third_order_products_rise_3_db_for_each_db_of_drive(nominal: ChannelDevice) -> None:
    """The definition of third order (Pozar, Microwave Engineering, 4th ed., 10.3; from memory)."""
    for low, high in zip(third(answer(nominal, -30.0)), third(answer(nominal, -25.0)), strict=True):
        assert (high - low) / 5.0 == pytest.approx(3.0, abs=0.05)


def test_the_intercept_point_lies_some_10_db_above_p1db(nominal: ChannelDevice) -> None:
    """Common practice, no source; in a purely cubic law it is 9.6 dB at the input, and so 10.6 dB at the output."""
    found = answer(nominal, -20.0)
    tone_dbm = level(found, F0_HZ - 5e6)
    intercept_dbm = tone_dbm + (tone_dbm - third(found)[0]) / 2.0

    assert intercept_dbm - p1db_dbm(nominal) == pytest.approx(10.0, abs=1.0)


def test_near_compression_the_slope_leaves_3(nominal: ChannelDevice) -> None:
    """An intercept read off there would be wrong; whoever measures must notice."""
    slope = third(answer(nominal, 4.0))[0] - third(answer(nominal, 3.0))[0]

    assert abs(slope - 3.0) > 0.8


def test_both_sides_differ_a_little_and_less_when_the_envelope_is_slow(nominal: ChannelDevice) -> None:
    """Memory: a bias network that cannot follow 10 MHz follows 10 kHz. Both sides equal means: none."""
    fast = third(answer(nominal, -15.0, spacing_hz=10e6), spacing_hz=10e6)
    slow = third(answer(nominal, -15.0, spacing_hz=10e3), spacing_hz=10e3)

    assert 0.1 < abs(fast[0] - fast[1]) < 3.0
    assert abs(slow[0] - slow[1]) < 0.1


def test_a_second_tone_that_is_hardly_there_changes_nothing(nominal: ChannelDevice) -> None:
    """One answer in the limit, whichever way it is computed: two laws would be two devices."""
    for tone_dbm in (-30.0, -5.0, 5.0):
        found = answer(nominal, tone_dbm, other_db=-110.0)
        alone = nominal.respond(F0_HZ - 5e6, tone_dbm, 6.0, GATE_V, DEGC)

        assert level(found, F0_HZ - 5e6) == pytest.approx(alone.output_dbm, abs=1e-3)
        assert found.response.drain_current_a == pytest.approx(alone.drain_current_a, rel=1e-4)
        assert found.response.dissipation_w == pytest.approx(alone.dissipation_w, rel=1e-4)


def test_small_tones_each_see_the_gain_of_their_own_frequency(nominal: ChannelDevice) -> None:
    found = answer(nominal, -50.0, spacing_hz=400e6)

    for frequency_hz in (F0_HZ - 200e6, F0_HZ + 200e6):
        alone = nominal.respond(frequency_hz, -50.0, 6.0, GATE_V, DEGC)
        assert level(found, frequency_hz) == pytest.approx(alone.output_dbm, abs=1e-3)


@pytest.mark.parametrize("tone_dbm", [-30.0, -3.0, 5.0])
def test_no_power_comes_from_nowhere(nominal: ChannelDevice, tone_dbm: float) -> None:
    """What goes in, DC and RF, comes out as RF in all lines of the band, or as heat."""
    found = answer(nominal, tone_dbm)
    response = found.response
    dc_w = 6.0 * response.drain_current_a + GATE_V * response.gate_current_a
    in_w = 2e-3 * milliwatts(tone_dbm)
    in_band = [milliwatts(level_dbm) for hz, level_dbm in found.lines if abs(hz - F0_HZ) < 1e9]

    assert sum(in_band) == pytest.approx(milliwatts(response.output_dbm), rel=1e-6)
    assert dc_w + in_w == pytest.approx(1e-3 * milliwatts(response.output_dbm) + response.dissipation_w)
    assert response.dissipation_w > 0.0


def test_the_envelopes_peak_is_6_db_above_one_of_two_equal_tones(nominal: ChannelDevice) -> None:
    """Amplitudes add: four times the power of one tone, for a moment."""
    assert answer(nominal, 3.0).peak_input_dbm == pytest.approx(3.0 + 20 * math.log10(2.0))


def test_two_tones_of_one_frequency_are_one_with_both_powers(nominal: ChannelDevice) -> None:
    found = respond_to_tones(nominal, [(F0_HZ, -10.0), (F0_HZ, -10.0)], 6.0, GATE_V, DEGC)
    one = nominal.respond(F0_HZ, -10.0 + 10 * math.log10(2.0), 6.0, GATE_V, DEGC)

    assert level(found, F0_HZ) == pytest.approx(one.output_dbm)


def test_a_weak_third_tone_passes_with_the_gain_the_others_leave_it(nominal: ChannelDevice) -> None:
    """Strong signals desensitise: the third tone's gain is below small signal, and it takes nothing from the others."""
    pair = [(F0_HZ - 5e6, 0.0), (F0_HZ + 5e6, 0.0)]
    found = respond_to_tones(nominal, [*pair, (F0_HZ + 40e6, -60.0)], 6.0, GATE_V, DEGC)
    small = nominal.respond(F0_HZ + 40e6, -60.0, 6.0, GATE_V, DEGC).output_dbm

    assert small - 6.0 < level(found, F0_HZ + 40e6) < small - 0.5
    assert level(found, F0_HZ - 5e6) == pytest.approx(level(answer(nominal, 0.0), F0_HZ - 5e6), abs=0.01)


def test_without_bias_tones_only_leak(nominal: ChannelDevice) -> None:
    found = respond_to_tones(nominal, [(F0_HZ, -40.0), (F0_HZ + 1e7, -40.0)], 0.0, -2.5, DEGC)

    assert [round(level_dbm, 6) for _, level_dbm in found.lines] == [-86.0, -86.0]


def test_the_sum_of_both_stands_6_db_above_the_second_harmonics(nominal: ChannelDevice) -> None:
    """(a + b)^2 = a^2 + 2 a b + b^2: algebra."""
    found = answer(nominal, -10.0)
    seconds = [level(found, 2 * hz) for hz in (F0_HZ - 5e6, F0_HZ + 5e6)]

    assert level(found, 2 * F0_HZ) == pytest.approx(sum(seconds) / 2 + 6.02, abs=0.01)
