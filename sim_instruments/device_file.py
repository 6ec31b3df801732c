"""
The simulated device's own file: nominal values, how units differ, and what the device does not survive.

Nominal values hold at `nominal_at`, a *channel* temperature: the part is specified biased, and a biased part is warmer
than its case. Spreads are standard deviations over all units of a lot.
"""

from __future__ import annotations

from pathlib import Path
from typing import Self

from pydantic import Field, model_validator

from benchkit.bench.load import Bench
from benchkit.files.types import (
    Amperes,
    Celsius,
    Dbm,
    Decibels,
    FileModel,
    Hertz,
    Percent,
    Seconds,
    Volts,
    Watts,
)
from benchkit.files.validate import validate
from benchkit.files.yaml import load_yaml, load_yaml_text

__all__ = [
    "AbsoluteMaxima",
    "DetectorValues",
    "DeviceFile",
    "DrainValues",
    "GainValues",
    "GateValues",
    "HarmonicValues",
    "MatchValues",
    "MemoryValues",
    "PhaseValues",
    "SaturationValues",
    "SpreadValues",
    "ThermalValues",
    "device_file_of",
    "load_device_file",
]


class GainValues(FileModel):
    """Small-signal gain over frequency, temperature and bias."""

    centre_hz: Hertz = Field(alias="centre", gt=0)
    gain_db: Decibels = Field(alias="gain", description="At the centre, at the quiescent current")
    half_bandwidth_hz: Hertz = Field(alias="half_bandwidth", gt=0, description="From the centre to -3 dB")
    order: int = Field(ge=1, le=8, description="How square the band is (maximally flat)")
    slope_db_per_ghz: float = Field(description="Across the band, at its centre [dB/GHz]")
    ripple_db: Decibels = Field(alias="ripple", ge=0, description="Amplitude of the ripple between stages")
    ripple_period_hz: Hertz = Field(alias="ripple_period", gt=0)
    temperature_db_per_k: float = Field(lt=0, description="Gain falls with channel temperature [dB/K]")
    db_per_decade_of_current: float = Field(ge=0, description="Over the quiescent current: all stages together [dB]")
    isolation_db: Decibels = Field(alias="isolation", gt=0, description="What leaks through a device that is off, as a loss")


class SaturationValues(FileModel):
    """AM/AM: Rapp's knee, Pout = G Pin / (1 + (G Pin / Psat)^p)^(1/p)."""

    saturated_power_dbm: Dbm = Field(alias="saturated_power", description="At the nominal drain voltage")
    sharpness: float = Field(gt=0.5, le=10, description="Rapp's p")
    temperature_db_per_k: float = Field(le=0, description="Of the saturated power [dB/K]")
    knee_voltage_v: Volts = Field(alias="knee_voltage", gt=0, description="Lost of the drain's swing")


class PhaseValues(FileModel):
    """Phase through the device and AM/PM."""

    delay_s: Seconds = Field(alias="delay", ge=0)
    at_saturation_deg: float = Field(description="AM/PM, approached as the drive rises [deg]")


class DrainValues(FileModel):
    """Drain current: a smooth square-ish law of the gate above threshold, a knee in drain voltage, a rise with drive."""

    nominal_voltage_v: Volts = Field(alias="nominal_voltage", gt=0)
    quiescent_current_a: Amperes = Field(alias="quiescent_current", gt=0, description="At which the gain is stated")
    threshold_v: Volts = Field(alias="threshold")
    threshold_v_per_k: float = Field(description="[V/K]")
    current_at_one_volt_a: Amperes = Field(alias="current_at_one_volt", gt=0, description="One volt above threshold")
    exponent: float = Field(ge=1, le=3)
    turn_on_v: Volts = Field(alias="turn_on", gt=0, description="Width of the soft turn-on around the threshold")
    mobility_exponent: float = Field(ge=0, description="Current falls as (absolute temperature)^-exponent")
    knee_v: Volts = Field(alias="knee", gt=0, description="Scale of the knee, I ~ tanh(V / knee)")
    output_conductance_per_v: float = Field(ge=0, description="Relative rise above nominal voltage [1/V]")
    leakage_a: Amperes = Field(alias="leakage", ge=0)
    rise_with_drive: float = Field(ge=0, description="Relative rise of the current at saturated power")


class GateValues(FileModel):
    """Gate current: reverse leakage, a forward diode, rectified drive near saturation."""

    leakage_a: Amperes = Field(alias="leakage", ge=0, description="Reverse, at nominal drain voltage")
    leakage_doubles_every_k: float = Field(gt=0, description="[K]")
    rectified_a: Amperes = Field(alias="rectified", ge=0, description="Forward, at saturated power")
    forward_voltage_v: Volts = Field(alias="forward_voltage", gt=0)
    series_ohm: float = Field(gt=0)


class DetectorValues(FileModel):
    """Detector minus reference = k P^m, P in mW at the output pin: a straight line on logarithmic axes."""

    voltage_at_one_mw_v: Volts = Field(alias="voltage_at_one_mw", gt=0)
    exponent: float = Field(gt=0, le=1)
    temperature_per_k: float = Field(description="Relative change of k with case temperature [1/K]")
    slope_per_ghz: float = Field(description="Relative change of k with frequency [1/GHz]")
    reference_v: Volts = Field(alias="reference", description="Both diodes' voltage without RF, at 25 degC")
    reference_v_per_k: float = Field(description="Of that voltage [V/K]")


class MatchValues(FileModel):
    """Reflection at both ports and the way back, biased and not."""

    input_return_loss_db: Decibels = Field(alias="input_return_loss", default=12.0, gt=0, description="In band, biased")
    output_return_loss_db: Decibels = Field(alias="output_return_loss", default=10.0, gt=0, description="In band, biased")
    off_return_loss_db: Decibels = Field(alias="off_return_loss", default=2.0, gt=0, description="Without current, input")
    off_output_return_loss_db: Decibels = Field(
        alias="off_output_return_loss", default=3.0, gt=0, description="Without current, output"
    )
    ripple: float = Field(default=0.2, ge=0, lt=1, description="Of a reflection's magnitude over frequency, relative")
    ripple_period_hz: Hertz = Field(alias="ripple_period", default=1.3e9, gt=0)
    input_delay_s: Seconds = Field(alias="input_delay", default=60e-12, ge=0, description="Of the reflected wave")
    output_delay_s: Seconds = Field(alias="output_delay", default=45e-12, ge=0, description="Of the reflected wave")
    reverse_isolation_db: Decibels = Field(alias="reverse_isolation", default=55.0, gt=0, description="Biased")
    temperature_per_k: float = Field(default=6e-4, description="Relative change of a reflection's magnitude [1/K]")
    spread_percent: Percent = Field(alias="spread", default=5.0, ge=0, description="Of a reflection's magnitude, over a lot")


class MemoryValues(FileModel):
    """Gain that follows the envelope's power late: the bias network's. It makes intermodulation unequal on both sides."""

    relative_gain: float = Field(default=0.015, ge=-0.2, le=0.2, description="At saturated power, relative amplitude")
    time_constant_s: Seconds = Field(alias="time_constant", default=10e-9, ge=0)


class HarmonicValues(FileModel):
    """Harmonics relative to the carrier at saturated power; the nth falls n dB for each dB of back-off."""

    second_dbc: Decibels = Field(alias="second", lt=0)
    third_dbc: Decibels = Field(alias="third", lt=0)


class ThermalValues(FileModel):
    """Channel above case, case above and behind the air."""

    channel_k_per_w: float = Field(ge=0, description="Channel to case, one channel's dissipation [K/W]")
    channel_time_constant_s: Seconds = Field(alias="channel_time_constant", gt=0)
    case_k_per_w: float = Field(ge=0, description="Case to air, both channels' dissipation [K/W]")
    case_time_constant_s: Seconds = Field(alias="case_time_constant", gt=0)
    ambient_degc: Celsius = Field(alias="ambient", description="The room")


class SpreadValues(FileModel):
    """Standard deviations over a lot: wafers, units on a wafer and channels in a unit together."""

    gain_db: Decibels = Field(alias="gain", ge=0)
    saturated_power_db: Decibels = Field(alias="saturated_power", ge=0)
    threshold_v: Volts = Field(alias="threshold", ge=0)
    current_percent: Percent = Field(alias="current", ge=0)
    rise_with_drive_percent: Percent = Field(alias="rise_with_drive", ge=0)
    detector_percent: Percent = Field(alias="detector", ge=0)
    reference_v: Volts = Field(alias="reference", ge=0)
    centre_hz: Hertz = Field(alias="centre", ge=0)
    gate_leakage_percent: Percent = Field(alias="gate_leakage", ge=0)


class AbsoluteMaxima(FileModel):
    """One channel, at its pins. Beyond these the ledger gets an entry."""

    drain_voltage_v: Volts = Field(alias="drain_voltage", gt=0)
    drain_current_a: Amperes = Field(alias="drain_current", gt=0)
    gate_voltage_min_v: Volts = Field(alias="gate_voltage_min")
    gate_voltage_max_v: Volts = Field(alias="gate_voltage_max")
    gate_current_a: Amperes = Field(alias="gate_current", gt=0)
    dissipation_w: Watts = Field(alias="dissipation", gt=0)
    input_power_dbm: Dbm = Field(alias="input_power")
    output_power_dbm: Dbm = Field(alias="output_power")
    rf_unbiased_dbm: Dbm = Field(
        alias="rf_unbiased", default=-30.0, description="Into the input, or the output, while the device is not biased"
    )
    channel_temperature_degc: Celsius = Field(alias="channel_temperature")
    pinched_below_v: Volts = Field(alias="pinched_below", description="Gate voltage that surely holds the device off")
    unbiased_below_v: Volts = Field(alias="unbiased_below", gt=0, description="Drain voltage under which RF meets a dead device")


class DeviceFile(FileModel):
    """A simulated device, all channels nominally alike."""

    part: str = Field(min_length=1)
    nominal_at_degc: Celsius = Field(alias="nominal_at", description="Channel temperature of the nominal values")
    gain: GainValues
    saturation: SaturationValues
    phase: PhaseValues
    drain: DrainValues
    gate: GateValues
    detector: DetectorValues
    harmonics: HarmonicValues
    match: MatchValues = MatchValues()
    memory: MemoryValues = MemoryValues()
    thermal: ThermalValues
    spread: SpreadValues
    absolute_maximum: AbsoluteMaxima
    notes: str = ""

    @model_validator(mode="after")
    def _knee_below_supply(self) -> Self:
        if self.saturation.knee_voltage_v >= self.drain.nominal_voltage_v:
            raise ValueError("saturation.knee_voltage is not below drain.nominal_voltage: there would be no output power")
        return self


def load_device_file(path: Path) -> DeviceFile:
    """
    Read one device file.

    Raises:
        FileError: Every mistake in it, with line and key.
    """
    return validate(load_yaml(path), DeviceFile)


def device_file_of(bench: Bench, name: str) -> DeviceFile:
    """
    The device file that a bench names: as the bench keeps it (a record's bench has no folder), else from beside the bench file.

    Raises:
        FileError: Every mistake in it, with line and key; or it is in neither place.
    """
    path = bench.path.parent / name
    kept = bench.table_files.get(name)
    if kept is None:
        return load_device_file(path)
    return validate(load_yaml_text(kept.decode("utf-8", "replace"), str(path)), DeviceFile)
