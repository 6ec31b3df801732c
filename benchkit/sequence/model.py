"""
The sequence file as frozen models: device, limits, bias, conditions, measurements, expectations.

A level is at the device's plane unless its description says otherwise.
"""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, SerializeAsAny

from benchkit.files.types import (
    AmperePerMinute,
    Amperes,
    Celsius,
    CelsiusAxis,
    CelsiusVisits,
    Dbm,
    DecibelPerMinute,
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
from benchkit.measurements.sentinel import Sentinel
from benchkit.quantities import dew_point_of
from benchkit.sequence.deadline import BeDoneBy
from benchkit.sequence.recover import RecoverSettings

__all__ = [
    "BiasSettings",
    "ConditionSettings",
    "DeviceLimits",
    "DeviceSettings",
    "DeviceSoak",
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
    plane: str = Field(
        default="", max_length=200,
        description="What its planes are, in words, such as: package pins, evaluation board taken out by the path tables",
    )  # fmt: skip
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
    rf_unpowered_max_dbm: Dbm | None = Field(
        alias="rf_unpowered_max",
        default=None,
        description="Into the unpowered device, at the input pin and at the output pin; needed where it is measured unpowered",
    )
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


class DeviceSoak(FileModel):
    """
    The device's own word on whether it is at temperature: biased as at the first condition that is measured there, its gate
    held where it was trimmed, RF off. Of several channels the first one is asked: they share one case.
    """

    quiescent_drift_max_a_per_min: AmperePerMinute | None = Field(
        alias="quiescent_drift_max", default=None, gt=0, description="Rate of the quiescent current that counts as still"
    )
    gain_drift_max_db_per_min: DecibelPerMinute | None = Field(
        alias="gain_drift_max", default=None, gt=0, description="Rate of the sentinel's gain that counts as still"
    )
    over_s: Seconds = Field(alias="over", default=120.0, gt=0, description="The rate is the slope of a line through this long")


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
    device: DeviceSoak | None = Field(default=None, description="The device biased, and drifting no more; besides the others")
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
    values_degc: CelsiusVisits = Field(
        alias="values", description="One may come again, not in succession: a return, whose difference is reported"
    )
    order: Literal["as written", "shortest"] = Field(
        default="as written",
        description="shortest: the way that ends the last measurement soonest; a return to the first at the end is kept",
    )
    start_degc: Celsius | None = Field(
        alias="start", default=None, description="Where the chamber stands at the beginning, for order; default: idle"
    )
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


def _as_text(value: object) -> object:
    """A bare number is a text without a unit: right for what has none (K, mu), and told as a mistake for what has one."""
    return repr(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


LimitText = Annotated[str, BeforeValidator(_as_text, json_schema_input_type=str | float)]


class Expectation(FileModel):
    """A data-sheet limit. `parameter` is a name from the table of results."""

    parameter: str
    qualifier: str = Field(default="", description="Which of its kind, e.g. 6 dB back-off; default: any")
    min: LimitText | None = Field(default=None, description="With its unit, if the parameter has one")
    max: LimitText | None = Field(default=None, description="With its unit, if the parameter has one")
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
    sentinel: Sentinel | None = Field(
        default=None, description="A reference point, measured again and again: has the bench drifted?"
    )
    recover: RecoverSettings = Field(default=RecoverSettings(), description="After transient trouble: how often, how long")
    expectations: tuple[Expectation, ...] = ()
    decision_rule: Literal["simple acceptance", "guard band"] = Field(
        default="guard band", description="ILAC-G8: guard band w = U, or none"
    )
    notes: str = ""
