"""
What a spectrum analyser adds of its own: noise, intermodulation and harmonics, from its ratings and settings. Pure.

At its mixer, behind the attenuator, the third-order products of two equal tones stand at 3 L - 2 IP3 and the second
harmonic at 2 L - IP2 (L at the mixer); referred to the input both lose by each decibel of attenuation less than noise
gains. Common practice, no source. What a rating is missing for is NaN, never guessed.
"""

from __future__ import annotations

import math

__all__ = ["floor_dbm", "own_second_dbm", "own_third_dbm"]


def floor_dbm(noise_floor_dbm: float | None, bandwidth_hz: float, attenuation_db: float) -> float:
    """
    Noise at the input in a resolution bandwidth. [dBm]

    Args:
        noise_floor_dbm: In 1 Hz with 0 dB of attenuation; None: not stated, and so is the answer (NaN).
    """
    if noise_floor_dbm is None or not bandwidth_hz > 0.0:
        return math.nan
    return noise_floor_dbm + 10.0 * math.log10(bandwidth_hz) + attenuation_db


def own_third_dbm(intercept_dbm: float | None, tone_dbm: float, attenuation_db: float) -> float:
    """The analyser's own third-order product of two equal tones, referred to its input. [dBm]"""
    if intercept_dbm is None:
        return math.nan
    return 3.0 * (tone_dbm - attenuation_db) - 2.0 * intercept_dbm + attenuation_db


def own_second_dbm(second_intercept_dbm: float | None, tone_dbm: float, attenuation_db: float) -> float:
    """The analyser's own second harmonic of a tone, referred to its input. [dBm]"""
    if second_intercept_dbm is None:
        return math.nan
    return 2.0 * (tone_dbm - attenuation_db) - second_intercept_dbm + attenuation_db
