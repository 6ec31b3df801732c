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
    Percent,
    Seconds,
    Volts,
    VoltsAxis,
    Watts,
)
from benchkit.measurements.base import MeasurementBlock
from benchkit.quantities import dew_point_of
from benchkit.sequence.deadline import BeDoneBy
from benchkit.sequence.recover import RecoverSettings

__all__ = [
    "BiasSettings",
    "ConditionSettings",
    "DeviceLimits",
    "DeviceSettings",
    "Expectation",
    "LostTemperature",
    "SequenceFile",
    "SoakSettings",
    "TemperatureSettings",
    "WarmBeforeOpening",
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
    near_miss_percent: Percent = Field(
        alias="near_miss",
        default=5.0,
        ge=0,
        lt=100,
        description="A reading this near a limit becomes an event: part of the limit, of the span between two limits, or of the "
        "power for a limit in dBm; 0 %: none",
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
        alias="gate_step_max", default=0.1, ge=1e-3, description="Largest single step of the gate while searching"
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


class LostTemperature(FileModel):
    """When a temperature that was reached counts as lost: the run ends then."""

    beyond_k: Kelvins = Field(alias="beyond", gt=0, description="Chamber's air off its set point by more than this ...")
    for_s: Seconds = Field(alias="for", ge=0, description="... for longer than this")


class WarmBeforeOpening(FileModel):
    """
    A part colder than the dew point of the room gets wet when the chamber is opened. The end of a run that ends cold waits
    until the case (without a case sensor: the air) is above the dew point by a margin.
    """

    dew_point_degc: Celsius | None = Field(alias="dew_point", default=None, description="Of the room; or give the next two")
    ambient_degc: Celsius | None = Field(alias="ambient", default=None, description="Temperature of the room")
    humidity_percent: Percent | None = Field(
        alias="humidity", default=None, gt=0, le=100, description="Relative humidity of the room"
    )
    margin_k: Kelvins = Field(alias="margin", default=3.0, ge=0, description="Above the dew point")
    at_most_s: Seconds = Field(alias="at_most", default=3600.0, gt=0, description="Longest wait; then it says so and ends")

    @property
    def warm_degc(self) -> float:
        """The case may meet the room's air from here on. [degC]"""
        dew_point_degc = self.dew_point_degc
        if dew_point_degc is None:
            assert self.ambient_degc is not None, "load_sequence checks that one or the other is given"
            assert self.humidity_percent is not None, "load_sequence checks that one or the other is given"
            dew_point_degc = dew_point_of(self.ambient_degc, self.humidity_percent)
        return dew_point_degc + self.margin_k


class TemperatureSettings(FileModel):
    values_degc: CelsiusAxis = Field(alias="values")
    soak: SoakSettings
    idle_degc: Celsius = Field(alias="idle", description="Where the chamber is left at the end, however it ends")
    lost: LostTemperature | None = Field(
        default=None, description="Default: 3 x soak.tolerance for 2 min. Air out of soak.tolerance is an event in any case"
    )
    on_failure: Literal["stop", "skip temperature"] = Field(
        default="stop", description="When it is not reached, its soak is not done, or it is lost: end the run, or go to the next"
    )
    warm_before_opening: WarmBeforeOpening | None = Field(
        default=None, description="After a cold end: wait for the case to be above the room's dew point"
    )


class ConditionSettings(FileModel):
    """The outer, slow settings; temperature outermost, then channel, then supply voltage."""

    temperature: TemperatureSettings | None = None
    channels: tuple[str, ...] | None = Field(default=None, description="Default: all of the device's")
    supply_voltage_v: VoltsAxis = Field(alias="supply_voltage")
    on_failure: Literal["stop", "skip condition"] = Field(
        default="stop", description="When the quiescent current is not reached: end the run, or go to the next condition"
    )
    be_done_by: BeDoneBy | None = Field(
        default=None,
        description="Time of day (07:30, local time) or how long from the start (9 h), the way back to idle included; what does "
        "not fit is dropped, measurements of the lowest priority first",
    )


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
    recover: RecoverSettings = Field(default=RecoverSettings(), description="After transient trouble: how often, how long")
    expectations: tuple[Expectation, ...] = ()
    decision_rule: Literal["simple acceptance", "guard band"] = Field(
        default="guard band", description="ILAC-G8: guard band w = U, or none"
    )
    notes: str = ""
