"""One reported number: value, unit, plane, condition and expanded uncertainty, or the reason why not."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from benchkit.results.uncertainty import Contribution

__all__ = ["PARAMETERS", "UNPOWERED_V", "Parameter", "Result", "ResultCondition", "supply_text"]

UNPOWERED_V = 0.0
"""Supply voltage at which the unpowered device is measured: no sequence can ask for it otherwise. [V]"""


def supply_text(supply_voltage_v: float | None) -> str:
    """A supply voltage as it is told: "6 V", "unpowered"; "" where there is none. [V]"""
    if supply_voltage_v is None or math.isnan(supply_voltage_v):
        return ""
    return "unpowered" if supply_voltage_v == UNPOWERED_V else f"{supply_voltage_v:g} V"


@dataclass(frozen=True)
class Parameter:
    """
    A line of the data sheet: the name used in files, what it is called in a table, its unit and plane.

    Attributes:
        about_bench: It is of the bench and not of the device, of a kind whose other numbers are of the device.
    """

    name: str
    label: str
    unit: str
    plane: str
    convention: str = ""
    about_bench: bool = False


# The names that `expectations` may use. A kind of measurement reports under these names and no others; a new kind adds
# its own by listing them in its `parameters`.
PARAMETERS: dict[str, Parameter] = {
    parameter.name: parameter
    for parameter in (
        Parameter("quiescent_current", "Quiescent drain current", "A", "drain pin"),
        Parameter("gate_voltage", "Gate voltage at quiescent current", "V", "gate pin"),
        Parameter("small_signal_gain", "Small-signal gain", "dB", "device input to device output"),
        Parameter("p1db", "Output power at 1 dB compression", "dBm", "device output"),
        Parameter("input_p1db", "Input power at 1 dB compression", "dBm", "device input"),
        Parameter("output_at_compression", "Output power at stated compression", "dBm", "device output"),
        Parameter("saturated_power", "Saturated output power", "dBm", "device output"),
        Parameter("gain_expansion", "Gain expansion", "dB", "device input to device output"),
        Parameter("drain_efficiency_p1db", "Drain efficiency at P1dB", "%", "device output"),
        Parameter("pae_p1db", "Power-added efficiency at P1dB", "%", "device output"),
        Parameter("drain_efficiency_back_off", "Drain efficiency in back-off", "%", "device output"),
        Parameter("pae_back_off", "Power-added efficiency in back-off", "%", "device output"),
        Parameter("drain_current_p1db", "Drain current at P1dB", "A", "drain pin"),
        Parameter("detector_slope", "Detector law: slope", "decades per decade", "device output"),
        Parameter("detector_intercept", "Detector law: output power for 1 V", "dBm", "device output"),
        Parameter("detector_temperature_error", "Detector error over temperature", "dB", "device output"),
    )
}


@dataclass(frozen=True)
class ResultCondition:
    """Where a result holds. None: not tied to this quantity; a supply voltage of UNPOWERED_V: of the unpowered device."""

    temperature_degc: float | None = None
    channel: str | None = None
    supply_voltage_v: float | None = None
    frequency_hz: float | None = None


@dataclass(frozen=True)
class Result:
    """
    One reported number.

    Attributes:
        parameter: A name from PARAMETERS, or from the kind that reports it.
        qualifier: What tells it from others of its name at one condition, e.g. "6 dB back-off"; else "".
        value: In `unit`; NaN when absent, and then `reason` says why.
        expanded_uncertainty: k = 2, in `unit`; NaN when not known, and then `uncertainty_reason` says why.
        convention: How the number is defined, e.g. "reference gain: mean of the three lowest levels". What is defined alike reads
            alike, whatever was found: results are held against each other by it.
        found: How this one came about: where in the band, from how many points, what a check of it said.
        note: What casts doubt on the number though nothing is wrong with how it came about: a drift of the bench, repeats
            that lie apart.
        budget: What the uncertainty is made of: independent contributions, whose amounts combine (root sum of squares) to
            half of `expanded_uncertainty`. Empty when not known. Degrees of freedom are for the reader: k is 2 all the same.
    """

    parameter: str
    value: float
    unit: str
    plane: str
    condition: ResultCondition = field(default_factory=ResultCondition)
    qualifier: str = ""
    expanded_uncertainty: float = math.nan
    reason: str = ""
    uncertainty_reason: str = ""
    convention: str = ""
    found: str = ""
    measurement: str = ""
    budget: tuple[Contribution, ...] = ()
    note: str = ""

    @property
    def is_absent(self) -> bool:
        """True when there is no number; `reason` then says why."""
        return math.isnan(self.value)
