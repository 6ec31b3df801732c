"""
One channel of the device: from frequency, drive, voltages and channel temperature to output, phase and currents.

Scalar Python throughout: this is asked for every point of every sweep. What depends on frequency alone is kept.
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim_instruments.device_file import DeviceFile
from sim_instruments.physics.spread import UnitSpread

__all__ = ["DEAD", "NOTHING", "AtRest", "ChannelDevice", "Response", "milliwatts"]

NOTHING = -math.inf
# A part that oscillates: common practice, no source. Far below its band, where its gain is highest, and only while it is on.
OSCILLATION_HZ = 1.3e9
OSCILLATES_ABOVE_A = 0.05
KELVIN = 273.15
# Width over which the saturated power dies as the drain voltage sinks below the knee.
KNEE_WIDTH_V = 0.15
GATE_THERMAL_V = 0.045
LN10_OVER_10 = math.log(10.0) / 10.0


class Response(NamedTuple):
    """
    One channel's answer.

    Attributes:
        output_dbm: Carrier at the output pin; minus infinity: none. [dBm]
        phase_deg: Output against input at the device's pins. [deg]
        drive_ratio: Output over saturated power, 0 to 1. [1]
        drain_current_a: Into the drain. [A]
        gate_current_a: Into the gate; reverse leakage is negative. [A]
        dissipation_w: All that goes in and does not leave as RF. [W]
    """

    output_dbm: float
    phase_deg: float
    drive_ratio: float
    drain_current_a: float
    gate_current_a: float
    dissipation_w: float


class AtRest(NamedTuple):
    """
    What the answer to any drive is made of, at one frequency.

    Attributes:
        quiescent_a, gate_a: Currents without drive. [A]
        gain_db: Small-signal gain; minus infinity: it draws no current and has none. [dB]
        saturated_mw: Saturated power. [mW]
        phase_deg: Output against input at small signal. [deg]
        leak: Power that passes whatever the device does, over the input's. [1]
    """

    quiescent_a: float
    gate_a: float
    gain_db: float
    saturated_mw: float
    phase_deg: float
    leak: float


DEAD = Response(NOTHING, 0.0, 0.0, 0.0, 0.0, 0.0)


def milliwatts(level_dbm: float) -> float:
    """Power of a level; minus infinity is no power. [mW]"""
    return math.exp(LN10_OVER_10 * level_dbm)


@dataclass(frozen=True)
class _AtFrequency:
    gain_db: float
    phase_deg: float


@dataclass(frozen=True)
class _AtDrain:
    """What depends on the drain voltage alone: factors of current and of saturated power, and leakage."""

    drain_v: float
    current: float
    leakage_a: float
    power: float


def _softplus(x: float) -> float:
    return x if x > 35.0 else math.log1p(math.exp(x))


class ChannelDevice:
    """
    One channel of one unit, its values drawn once.

    Args:
        file: Nominal values and spreads.
        spread: Deviates of this channel of this unit.
    """

    def __init__(self, file: DeviceFile, spread: UnitSpread) -> None:
        self.file = file
        gain, drain, gate, saturation, sizes = file.gain, file.drain, file.gate, file.saturation, file.spread
        self.gain_shift_db = 0.0
        """A fault's place: gain that was lost or won since the part was made. [dB]"""
        self.current_factor = 1.0
        """A fault's place: drain current against what it should be. [1]"""
        self.oscillates_dbm = NOTHING
        """A fault's place: output of a tone of its own making, while it draws current. [dBm]"""
        self._gain_offset_db = sizes.gain_db * spread.deviate("gain")
        self._saturated_dbm = saturation.saturated_power_dbm + sizes.saturated_power_db * spread.deviate("saturated power")
        self._threshold_v = drain.threshold_v + sizes.threshold_v * spread.deviate("threshold")
        self._current_a = drain.current_at_one_volt_a * self._factor(sizes.current_percent, spread.deviate("current"))
        self._rise = drain.rise_with_drive * self._factor(sizes.rise_with_drive_percent, spread.deviate("rise"))
        leakage_a = gate.leakage_a * self._factor(sizes.gate_leakage_percent, spread.deviate("gate leakage"))
        self._gate_leakage_per_v = leakage_a / drain.nominal_voltage_v
        self._centre_hz = gain.centre_hz + sizes.centre_hz * spread.deviate("centre")
        self._ripple_phase = math.pi * spread.deviate("ripple")
        # The file's values that every answer needs: looked up once.
        self._nominal_degc = file.nominal_at_degc
        self._threshold_v_per_k, self._turn_on_v = drain.threshold_v_per_k, drain.turn_on_v
        self._mobility_exponent, self._exponent = drain.mobility_exponent, drain.exponent
        self._quiescent_a, self._decade_db = drain.quiescent_current_a, gain.db_per_decade_of_current
        self._gain_db_per_k, self._saturated_db_per_k = gain.temperature_db_per_k, saturation.temperature_db_per_k
        self._sharpness, self._phase_deg = saturation.sharpness, file.phase.at_saturation_deg
        self._leak = milliwatts(-gain.isolation_db)
        self._doublings_per_k, self._rectified_a = 1.0 / gate.leakage_doubles_every_k, gate.rectified_a
        self._forward_v, self._gate_ohm = gate.forward_voltage_v, gate.series_ohm
        self._known: dict[float, _AtFrequency] = {}
        self._at_drain = self._compute_at_drain(0.0)

    @staticmethod
    def _factor(percent: float, deviate: float) -> float:
        # Lognormal: a current or a sensitivity is never negative, however wide the spread.
        return math.exp(percent / 100.0 * deviate)

    def small_signal_gain_db(self, frequency_hz: float) -> float:
        """At nominal temperature, drain voltage and quiescent current. [dB]"""
        return self._at(frequency_hz).gain_db

    def complex_gain(
        self,
        frequency_hz: float,
        input_dbm: float,
        *,
        drain_v: float,
        gate_v: float,
        channel_degc: float,
    ) -> complex:
        """Ratio of the output's wave to the input's, magnitude and phase. [1]"""
        response = self.respond(frequency_hz, input_dbm, drain_v, gate_v, channel_degc)
        magnitude = 10.0 ** ((response.output_dbm - input_dbm) / 20.0)
        return cmath.rect(magnitude, math.radians(response.phase_deg))

    def quiescent_current_a(self, drain_v: float, gate_v: float, channel_degc: float) -> float:
        """Drain current without drive. [A]"""
        if drain_v <= 0.0:
            return 0.0
        at_drain = self._at_drain if drain_v == self._at_drain.drain_v else self._compute_at_drain(drain_v)
        rise_k = channel_degc - self._nominal_degc
        # A soft turn-on: width * ln(1 + exp(above)); far above threshold it is the voltage above threshold itself.
        soft = _softplus((gate_v - self._threshold_v - self._threshold_v_per_k * rise_k) / self._turn_on_v)
        mobility: float = ((self._nominal_degc + KELVIN) / (channel_degc + KELVIN)) ** self._mobility_exponent
        current: float = self._current_a * mobility * (self._turn_on_v * soft) ** self._exponent
        return (current * at_drain.current + at_drain.leakage_a) * self.current_factor

    def gate_current_a(self, drain_v: float, gate_v: float, channel_degc: float) -> float:
        """Into the gate without drive; leakage out of it is negative. [A]"""
        doubled: float = 2.0 ** ((channel_degc - self._nominal_degc) * self._doublings_per_k)
        leakage = self._gate_leakage_per_v * doubled * (drain_v - gate_v)
        above = (gate_v - self._forward_v) / GATE_THERMAL_V
        if above < -35.0:
            return -leakage
        return GATE_THERMAL_V * _softplus(above) / self._gate_ohm - leakage

    def respond(self, frequency_hz: float, input_dbm: float, drain_v: float, gate_v: float, channel_degc: float) -> Response:
        """The channel's answer; `input_dbm` minus infinity: not driven. [Hz, dBm, V, degC]"""
        if input_dbm == NOTHING and drain_v == 0.0 and gate_v == 0.0:
            return DEAD
        quiescent_a = self.quiescent_current_a(drain_v, gate_v, channel_degc)
        gate_a = self.gate_current_a(drain_v, gate_v, channel_degc)
        if input_dbm == NOTHING:
            heat = drain_v * quiescent_a + gate_v * gate_a
            return Response(NOTHING, 0.0, 0.0, quiescent_a, gate_a, heat)

        rise_k = channel_degc - self._nominal_degc
        known = self._known.get(frequency_hz) or self._at(frequency_hz)
        input_mw = milliwatts(input_dbm)
        phase = known.phase_deg
        ratio = amplified_mw = 0.0
        if quiescent_a > 0.0:
            bias_db = self._decade_db * math.log10(quiescent_a / self._quiescent_a)
            gain_db = known.gain_db + self.gain_shift_db + self._gain_db_per_k * rise_k + bias_db
            saturated_mw = self._at_drain.power * milliwatts(self._saturated_dbm + self._saturated_db_per_k * rise_k)
            x = input_mw * milliwatts(gain_db) / saturated_mw
            ratio = self._rapp(x)
            amplified_mw = ratio * saturated_mw
            phase += self._phase_deg * x / (1.0 + x)
        output_mw = amplified_mw + input_mw * self._leak
        current_a = quiescent_a * (1.0 + self._rise * ratio * ratio)
        gate_a += self._rectified_a * ratio * ratio * ratio
        heat = drain_v * current_a + gate_v * gate_a + 1e-3 * (input_mw - output_mw)
        return Response(10.0 * math.log10(output_mw), phase, ratio, current_a, gate_a, heat)

    def at_rest(self, frequency_hz: float, drain_v: float, gate_v: float, channel_degc: float) -> AtRest:
        """The constants that `respond` works with, for answers to more than one tone. [Hz, V, degC]"""
        quiescent_a = self.quiescent_current_a(drain_v, gate_v, channel_degc)
        gate_a = self.gate_current_a(drain_v, gate_v, channel_degc)
        known = self._at(frequency_hz)
        rise_k = channel_degc - self._nominal_degc
        gain_db, saturated_mw = NOTHING, 0.0
        if quiescent_a > 0.0:
            bias_db = self._decade_db * math.log10(quiescent_a / self._quiescent_a)
            gain_db = known.gain_db + self.gain_shift_db + self._gain_db_per_k * rise_k + bias_db
            saturated_mw = self._at_drain.power * milliwatts(self._saturated_dbm + self._saturated_db_per_k * rise_k)
        return AtRest(quiescent_a, gate_a, gain_db, saturated_mw, known.phase_deg, self._leak)

    @property
    def phase_at_saturation_deg(self) -> float:
        return self._phase_deg

    @property
    def rise_with_drive(self) -> float:
        """Of the drain current, relative, at saturated power. [1]"""
        return self._rise

    @property
    def rectified_a(self) -> float:
        """Gate current of the drive, at saturated power. [A]"""
        return self._rectified_a

    def saturating(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """AM/AM of many levels at once: output over saturated power, for small-signal output over saturated power. [1]"""
        p = self._sharpness
        small, large = np.minimum(x, 1.0), np.maximum(x, 1.0)
        return np.where(x > 1.0, (1.0 + large**-p) ** (-1.0 / p), small * (1.0 + small**p) ** (-1.0 / p))

    def harmonics(self, frequency_hz: float, response: Response) -> list[tuple[float, float]]:
        """Second and third harmonic at the output pin. [Hz, dBm]"""
        if response.drive_ratio <= 0.0:
            return []
        back_off_db = 10.0 * math.log10(response.drive_ratio)
        return [
            (order * frequency_hz, response.output_dbm + dbc + (order - 1) * back_off_db)
            for order, dbc in ((2, self.file.harmonics.second_dbc), (3, self.file.harmonics.third_dbc))
        ]

    def own_tone(self, response: Response) -> list[tuple[float, float]]:
        """Where a fault makes it oscillate: its line at the output pin. [Hz, dBm]"""
        if self.oscillates_dbm == NOTHING or response.drain_current_a < OSCILLATES_ABOVE_A:
            return []
        return [(OSCILLATION_HZ, self.oscillates_dbm)]

    def _rapp(self, x: float) -> float:
        # Rapp, in power: y = x / (1 + x^p)^(1/p), x = G Pin / Psat. Above saturation the same is written the other way
        # round, so that nothing overflows.
        p = self._sharpness
        ratio: float = (1.0 + x**-p) ** (-1.0 / p) if x > 1.0 else x * (1.0 + x**p) ** (-1.0 / p)
        return ratio

    def _compute_at_drain(self, drain_v: float) -> _AtDrain:
        drain, knee_v = self.file.drain, self.file.saturation.knee_voltage_v
        knee = math.tanh(drain_v / drain.knee_v) / math.tanh(drain.nominal_voltage_v / drain.knee_v)
        slope = 1.0 + drain.output_conductance_per_v * (drain_v - drain.nominal_voltage_v)
        # Power goes as the square of the swing, which dies below the knee.
        swing = KNEE_WIDTH_V * _softplus((drain_v - knee_v) / KNEE_WIDTH_V) / (drain.nominal_voltage_v - knee_v)
        leakage_a = drain.leakage_a * drain_v / drain.nominal_voltage_v
        self._at_drain = _AtDrain(drain_v, knee * slope, leakage_a, swing * swing)
        return self._at_drain

    def _at(self, frequency_hz: float) -> _AtFrequency:
        known = self._known.get(frequency_hz)
        if known is None:
            if len(self._known) > 10_000:
                self._known.clear()
            known = self._known[frequency_hz] = self._compute(frequency_hz)
        return known

    def _compute(self, frequency_hz: float) -> _AtFrequency:
        gain = self.file.gain
        away_hz = frequency_hz - self._centre_hz
        # Maximally flat (Butterworth) band, of the given order, around the centre.
        band_db = 10.0 * math.log10(1.0 + (away_hz / gain.half_bandwidth_hz) ** (2 * gain.order))
        inside_hz = min(max(away_hz, -gain.half_bandwidth_hz), gain.half_bandwidth_hz)
        shape_db = gain.slope_db_per_ghz * inside_hz / 1e9
        shape_db += gain.ripple_db * math.sin(2.0 * math.pi * away_hz / gain.ripple_period_hz + self._ripple_phase)
        return _AtFrequency(
            gain.gain_db + self._gain_offset_db + shape_db - band_db,
            -math.fmod(360.0 * frequency_hz * self.file.phase.delay_s, 360.0),
        )
