"""
Several tones at once: the device's own AM/AM and AM/PM, evaluated around the envelope they make together.

Two tones d apart make an envelope of period 1/d. The gain that belongs to each of its levels is applied at that moment
(quasi-static), and a Fourier transform of one period tells what comes out: fundamentals, third order, fifth order, both sides.
A bias network that cannot follow at once adds a small gain of its own, behind the envelope (MemoryValues): so the two sides
differ a little. No formula for intermodulation stands anywhere.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from sim_instruments.physics.device import NOTHING, ChannelDevice, Response, milliwatts

__all__ = ["Line", "ToneAnswer", "respond_to_tones"]

Line = tuple[float, float]
"""Frequency and level. [Hz, dBm]"""

SAMPLES = 64
# Lines up to this order are told; weaker ones than WEAKEST_DBM are nothing.
HIGHEST_ORDER = 9
WEAKEST_DBM = -160.0
# Tones closer than this are one: their envelope would take minutes.
ONE_TONE_HZ = 0.1
_ANGLE = 2.0 * np.pi * np.arange(SAMPLES) / SAMPLES
_TURN = np.exp(1j * _ANGLE)
_ORDERS = np.fft.fftfreq(SAMPLES, 1.0 / SAMPLES)


class ToneAnswer(NamedTuple):
    """
    Attributes:
        response: As for one tone; `output_dbm` is all the power together, currents are averages over the envelope.
        lines: At the output pin, harmonics included.
        peak_input_dbm: Peak of the envelope at the input pin. [dBm]
    """

    response: Response
    lines: tuple[Line, ...]
    peak_input_dbm: float


def respond_to_tones(
    device: ChannelDevice, tones: Sequence[Line], drain_v: float, gate_v: float, channel_degc: float
) -> ToneAnswer:
    """
    The answer to two tones or more. The two strongest mix; any further one sees the gain they leave it. [V, degC]

    Args:
        tones: At the input pin; at least two.
    """
    by_level = sorted(tones, key=lambda tone: tone[1], reverse=True)
    (low_hz, low_dbm), (high_hz, high_dbm) = sorted(by_level[:2])
    input_mw = sum(milliwatts(level_dbm) for _, level_dbm in tones)
    peak_input_dbm = 20.0 * math.log10(sum(math.sqrt(milliwatts(level_dbm)) for _, level_dbm in tones))
    spacing_hz = high_hz - low_hz
    if spacing_hz < ONE_TONE_HZ:
        # In step or not, nobody knows: their powers add.
        together = 10.0 * math.log10(milliwatts(low_dbm) + milliwatts(high_dbm))
        response = device.respond(low_hz, together, drain_v, gate_v, channel_degc)
        lines = [(low_hz, response.output_dbm), *device.harmonics(low_hz, response)]
        return ToneAnswer(response, tuple(lines), peak_input_dbm)

    low, high = (device.at_rest(hz, drain_v, gate_v, channel_degc) for hz in (low_hz, high_hz))
    quiescent_a, gate_a, saturated_mw = low.quiescent_a, low.gate_a, low.saturated_mw
    levels_mw: dict[float, float] = {hz: milliwatts(level_dbm) * low.leak for hz, level_dbm in tones}
    ratio = np.zeros(SAMPLES)
    pass_on = 0.0
    if quiescent_a > 0.0 and saturated_mw > 0.0:
        # Amplitudes in units of saturation, each with the small-signal gain of its own frequency.
        small = math.sqrt(milliwatts(low_dbm + low.gain_db) / saturated_mw)
        large = math.sqrt(milliwatts(high_dbm + high.gain_db) / saturated_mw)
        envelope = small + large * _TURN
        x = (envelope * envelope.conj()).real
        ratio = device.saturating(x)
        gain = np.sqrt(np.divide(ratio, x, out=np.ones(SAMPLES), where=x > 1e-300))
        pass_on = float(np.mean(gain * gain))
        turned = np.exp(1j * math.radians(device.phase_at_saturation_deg) * x / (1.0 + x))
        out = envelope * gain * turned * (1.0 + _behind(device, ratio, spacing_hz))
        spectrum = np.fft.fft(out) / SAMPLES
        half = HIGHEST_ORDER // 2
        for order in range(-half, half + 2):
            line = spectrum[order]
            power_mw = float(line.real**2 + line.imag**2) * saturated_mw
            frequency_hz = high_hz if order == 1 else low_hz + order * spacing_hz
            if frequency_hz > 0.0:
                levels_mw[frequency_hz] = levels_mw.get(frequency_hz, 0.0) + power_mw
    for hz, level_dbm in by_level[2:]:
        levels_mw[hz] += milliwatts(level_dbm + device.at_rest(hz, drain_v, gate_v, channel_degc).gain_db) * pass_on

    output_mw = sum(levels_mw.values())
    current_a = quiescent_a * (1.0 + device.rise_with_drive * float(np.mean(ratio**2)))
    gate_a += device.rectified_a * float(np.mean(ratio**3))
    heat_w = drain_v * current_a + gate_v * gate_a + 1e-3 * (input_mw - output_mw)
    lines = [(hz, 10.0 * math.log10(mw)) for hz, mw in sorted(levels_mw.items()) if mw > milliwatts(WEAKEST_DBM)]
    level_dbm = 10.0 * math.log10(output_mw) if output_mw > 0.0 else NOTHING
    response = Response(level_dbm, low.phase_deg, float(np.mean(ratio)), current_a, gate_a, heat_w)
    if saturated_mw > 0.0 and ratio.any():
        lines += _harmonics(device, dict(lines), (low_hz, high_hz), saturated_mw, response)
    return ToneAnswer(response, tuple(lines), peak_input_dbm)


def _behind(device: ChannelDevice, ratio: np.ndarray, spacing_hz: float) -> np.ndarray:
    """Relative gain that follows the envelope's power with a first-order lag; its mean is in the static law already."""
    memory = device.file.memory
    parts = np.fft.fft(ratio) / (1.0 + 2j * np.pi * _ORDERS * spacing_hz * memory.time_constant_s)
    parts[0] = 0.0
    return memory.relative_gain * np.fft.ifft(parts).real


def _harmonics(
    device: ChannelDevice, levels_dbm: dict[float, float], tones_hz: tuple[float, float], saturated_mw: float, response: Response
) -> list[Line]:
    """Of each tone, by its own back-off; and the sum of both, 6 dB above the mean of the second harmonics."""
    found: list[Line] = []
    seconds: list[float] = []
    for hz in tones_hz:
        level_dbm = levels_dbm.get(hz, NOTHING)
        if level_dbm == NOTHING:
            return found
        alone = response._replace(output_dbm=level_dbm, drive_ratio=milliwatts(level_dbm) / saturated_mw)
        harmonics = device.harmonics(hz, alone)
        seconds.append(harmonics[0][1])
        found += harmonics
    found.append((sum(tones_hz), 0.5 * sum(seconds) + 6.02))
    return [line for line in found if line[1] > WEAKEST_DBM]
