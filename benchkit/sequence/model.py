"""
The sequence file as frozen models: device, limits, bias, conditions, measurements, expectations.

A level is at the device's plane unless its description says otherwise.
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, SerializeAsAny

from benchkit.files.types import (
    Amperes,
    Celsius,
    CelsiusAxis,
    Dbm,
    Decibels,
    FileModel,
    FileName,
    HertzAxis,
    KelvinPerMinute,
    Kelvins,
    Seconds,
    Volts,
    VoltsAxis,
    Watts,
)
from benchkit.measurements.base import MeasurementBlock

__all__ = [
    "BiasSettings",
    "ConditionSettings",
    "DeviceLimits",
    "DeviceSettings",
    "Expectation",
    "SequenceFile",
    "SoakSettings",
    "TemperatureSettings",
]


class DeviceSettings(FileModel):
    part: str = Field(min_length=1)
    technology: Literal["depletion", "enhancement"]
    channels: tuple[str, ...] = Field(min_length=1)
    description: str = ""


class DeviceLimits(FileModel):
    """What must never be exceeded, at the device's own planes."""

    drain_voltage_max_v: Volts = Field(alias="drain_voltage_max", gt=0)
    drain_current_max_a: Amperes = Field(alias="drain_current_max", gt=0, description="One channel")
    gate_voltage_min_v: Volts = Field(alias="gate_voltage_min")
    gate_voltage_max_v: Volts = Field(alias="gate_voltage_max")
    gate_current_max_a: Amperes = Field(alias="gate_current_max", gt=0, description="Magnitude, either sign")
    input_power_max_dbm: Dbm = Field(alias="input_power_max", description="At the input pin")
    output_power_max_dbm: Dbm = Field(alias="output_power_max", description="At the output pin")
    dissipation_max_w: Watts | None = Field(alias="dissipation_max", default=None, gt=0)
    temperature_min_degc: Celsius = Field(alias="temperature_min")
    temperature_max_degc: Celsius = Field(alias="temperature_max", description="Case")
    temperature_ramp_max_k_per_min: KelvinPerMinute | None = Field(
        alias="temperature_ramp_max", default=None, gt=0, description="Fastest change of temperature it stands"
    )
    gain_max_db: Decibels = Field(alias="gain_max", description="Highest gain to be expected, for the proof before power")
    saturated_power_max_dbm: Dbm = Field(alias="saturated_power_max", description="Highest output to be expected, for the proof")


class BiasSettings(FileModel):
    pinch_off_v: Volts = Field(alias="pinch_off", description="Gate voltage that holds the device off")
    pinch_off_current_max_a: Amperes = Field(alias="pinch_off_current_max", gt=0, description="Drain current that counts as off")
    quiescent_current_a: Amperes = Field(alias="quiescent_current", gt=0)
    tolerance_a: Amperes = Field(alias="tolerance", gt=0)
    gate_from_v: Volts = Field(alias="gate_from", description="The gate trim searches between gate_from ...")
    gate_to_v: Volts = Field(alias="gate_to", description="... and gate_to, and nowhere else")
    gate_step_max_v: Volts = Field(
        alias="gate_step_max", default=0.1, gt=0, description="Largest single step of the gate while searching"
    )
    drain_current_limit_a: Amperes = Field(
        alias="drain_current_limit", gt=0, description="Current limit and trip set in the supply"
    )
    settling_time_s: Seconds = Field(alias="settling_time", default=0.05, ge=0, description="After a step of gate or drain")
    retrim: Literal["hold current", "hold voltage"] = Field(
        default="hold current",
        description="At each temperature: trim again to the quiescent current, or keep the gate voltage",
    )


class SoakSettings(FileModel):
    """When a temperature counts as reached."""

    tolerance_k: Kelvins = Field(alias="tolerance", gt=0, description="Chamber's air against the set point")
    in_tolerance_for_s: Seconds = Field(alias="in_tolerance_for", ge=0)
    drift_max_k_per_min: KelvinPerMinute | None = Field(
        alias="drift_max",
        default=None,
        gt=0,
        description="Rate of the case sensor that counts as still; needs a case sensor",
    )
    at_most_s: Seconds = Field(alias="at_most", gt=0, description="Longer than this is an error")
    poll_every_s: Seconds = Field(alias="poll_every", default=10.0, gt=0)


class TemperatureSettings(FileModel):
    values_degc: CelsiusAxis = Field(alias="values")
    soak: SoakSettings
    idle_degc: Celsius = Field(alias="idle", description="Where the chamber is left at the end, however it ends")


class ConditionSettings(FileModel):
    """The outer, slow settings; temperature outermost, then channel, then supply voltage."""

    temperature: TemperatureSettings | None = None
    channels: tuple[str, ...] | None = Field(default=None, description="Default: all of the device's")
    supply_voltage_v: VoltsAxis = Field(alias="supply_voltage")


class Expectation(FileModel):
    """A data-sheet limit. `parameter` is a name from the table of results."""

    parameter: str
    qualifier: str = Field(default="", description="Which of its kind, e.g. 6 dB back-off; default: any")
    min: str | None = Field(default=None, description="With its unit")
    max: str | None = Field(default=None, description="With its unit")
    frequency: HertzAxis | None = Field(default=None, description="Only at these frequencies; default: all measured")
    temperature: CelsiusAxis | None = Field(default=None, description="Only at these temperatures; default: all measured")


class SequenceFile(FileModel):
    """The device, its limits, its bias, the conditions to visit, the measurements to make, what is expected."""

    sequence: str = Field(min_length=1, description="What this sequence is called")
    bench: FileName | None = Field(default=None, description="Bench file that `rehearse` uses when none is given")
    device: DeviceSettings
    limits: DeviceLimits
    bias: BiasSettings
    conditions: ConditionSettings
    measurements: tuple[SerializeAsAny[MeasurementBlock], ...] = Field(min_length=1)
    expectations: tuple[Expectation, ...] = ()
    decision_rule: Literal["simple acceptance", "guard band"] = Field(
        default="guard band", description="ILAC-G8: guard band w = U, or none"
    )
    notes: str = ""
