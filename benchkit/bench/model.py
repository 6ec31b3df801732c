"""
The bench file as frozen models: which instruments, where, in which role; how they are wired; what they stand.

Attribute names carry units; the YAML keys are the aliases, and their values carry the unit in the file.
Conventions, stated once: an *accuracy* is a limit of error (rectangular, u = a / sqrt(3)); an *uncertainty* is
expanded, k = 2 (u = U / 2).
"""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from benchkit.files.types import (
    Amperes,
    Celsius,
    Dbm,
    Decibels,
    FileModel,
    FileName,
    Hertz,
    KelvinPerMinute,
    Kelvins,
    Ohms,
    Percent,
    Seconds,
    Volts,
    WholeNumberKey,
)
from benchkit.notify.settings import NotifySettings

__all__ = [
    "AnalyserSettings",
    "BenchFile",
    "CaseSensor",
    "ChamberSettings",
    "ChannelWiring",
    "DrainPin",
    "InstrumentSettings",
    "LinkSettings",
    "LossTableFile",
    "LossTouchstone",
    "MismatchSettings",
    "NetworkAnalyserSettings",
    "NetworkWiring",
    "PathSettings",
    "PowerMeterSettings",
    "RfInput",
    "RfOutput",
    "SourceSettings",
    "SupplyChannelRatings",
    "SupplyPin",
    "SupplySettings",
    "SwitchPosition",
    "SwitchSettings",
    "TwinKit",
    "TwinSettings",
    "VoltmeterPin",
    "VoltmeterSettings",
    "WiringSettings",
]

Scalar = float | int | str | bool


class VoltAccuracy(FileModel):
    """Limits of error of a voltage: a part of the reading plus a floor."""

    of_reading_percent: Percent = Field(alias="of_reading", default=0.0, ge=0)
    floor_v: Volts = Field(alias="floor", ge=0)


class AmpereAccuracy(FileModel):
    """Limits of error of a current: a part of the reading plus a floor."""

    of_reading_percent: Percent = Field(alias="of_reading", default=0.0, ge=0)
    floor_a: Amperes = Field(alias="floor", ge=0)


class OhmAccuracy(FileModel):
    """Limits of error of a resistance: a part of the reading plus a floor."""

    of_reading_percent: Percent = Field(alias="of_reading", default=0.0, ge=0)
    floor_ohm: Ohms = Field(alias="floor", ge=0)


class _Instrument(FileModel):
    driver: str = Field(description="Name of a driver: an entry point of the group benchkit.drivers")
    address: str = Field(description="VISA resource name, e.g. TCPIP0::192.0.2.11::5025::SOCKET")
    calibrated: date | None = Field(default=None, description="Date of the last calibration, ISO 8601")
    timeout_s: Seconds = Field(alias="timeout", default=5.0, gt=0, description="Longest wait for a connection, and for one reply")
    dialect: dict[str, str] = Field(default_factory=dict, description="Driver commands spelled otherwise: data, not code")
    twin: dict[str, Scalar] = Field(default_factory=dict, description="What the simulated instrument is told besides")


class SourceSettings(_Instrument):
    role: Literal["source"]
    level_min_dbm: Dbm = Field(alias="level_min")
    level_max_dbm: Dbm = Field(alias="level_max", description="Highest level that may be asked of this source, at its connector")
    level_accuracy_db: Decibels = Field(alias="level_accuracy", ge=0)
    level_overshoot_db: Decibels = Field(
        alias="level_overshoot", default=0.0, ge=0, description="While it settles; the proof wants it stated, be it 0 dB"
    )
    frequency_min_hz: Hertz = Field(alias="frequency_min", gt=0)
    frequency_max_hz: Hertz = Field(alias="frequency_max", gt=0)
    settling_time_s: Seconds = Field(alias="settling_time", ge=0, description="After a change of level or frequency")
    linearity_db: Decibels | None = Field(
        alias="linearity", default=None, ge=0, description="Limit of error of a difference of two levels at one frequency"
    )
    resolution_db: Decibels | None = Field(alias="resolution", default=None, ge=0, description="Step of its level")
    without_level_limit: bool = Field(default=False, description="In so many words: this source has no settable level limit")


class PowerMeterSettings(_Instrument):
    role: Literal["power meter"]
    input_max_dbm: Dbm = Field(alias="input_max", description="What the sensor stands")
    range_min_dbm: Dbm = Field(alias="range_min")
    range_max_dbm: Dbm = Field(alias="range_max")
    accuracy_db: Decibels = Field(alias="accuracy", ge=0, description="Of one level well above the zero, without mismatch")
    frequency_min_hz: Hertz = Field(alias="frequency_min", gt=0)
    frequency_max_hz: Hertz = Field(alias="frequency_max", gt=0)
    reading_time_s: Seconds = Field(alias="reading_time", gt=0)
    linearity_db: Decibels | None = Field(
        alias="linearity", default=None, ge=0, description="Limit of error of a difference of two levels at one frequency"
    )
    zero_dbm: Dbm | None = Field(
        alias="zero", default=None, description="Limit of error of its zero, a power as a level: it counts most at low levels"
    )
    noise_db: Decibels | None = Field(
        alias="noise", default=None, ge=0, description="Standard deviation of one reading, well above the zero"
    )
    resolution_db: Decibels | None = Field(alias="resolution", default=None, ge=0, description="Step of its reading")


class AnalyserSettings(_Instrument):
    role: Literal["analyser"]
    input_max_dbm: Dbm = Field(alias="input_max")
    range_min_dbm: Dbm = Field(alias="range_min")
    range_max_dbm: Dbm = Field(alias="range_max")
    accuracy_db: Decibels = Field(alias="accuracy", ge=0)
    relative_accuracy_db: Decibels | None = Field(
        alias="relative_accuracy",
        default=None,
        ge=0,
        description="Of the difference of two levels near in frequency, at one setting; default: `accuracy`",
    )
    frequency_min_hz: Hertz = Field(alias="frequency_min", gt=0)
    frequency_max_hz: Hertz = Field(alias="frequency_max", gt=0)
    reading_time_s: Seconds = Field(alias="reading_time", gt=0, description="Shortest sweep; narrow filters sweep longer")
    attenuation_max_db: Decibels | None = Field(alias="attenuation_max", default=None, ge=0)
    attenuation_step_db: Decibels | None = Field(alias="attenuation_step", default=None, gt=0)
    intercept_dbm: Dbm | None = Field(
        alias="intercept",
        default=None,
        description="Its own third-order intercept, at its input with 0 dB of attenuation; needed to judge intermodulation",
    )
    second_intercept_dbm: Dbm | None = Field(
        alias="second_intercept",
        default=None,
        description="Its own second-harmonic intercept, at its input with 0 dB of attenuation; needed to judge harmonics",
    )
    noise_floor_dbm: Dbm | None = Field(
        alias="noise_floor",
        default=None,
        description="In a bandwidth of 1 Hz, at its input with 0 dB of attenuation; rises with both",
    )


class NetworkAnalyserSettings(_Instrument):
    """A two-port network analyser. Levels are those at its ports' connectors; either port may carry them."""

    role: Literal["network analyser"]
    level_min_dbm: Dbm = Field(alias="level_min")
    level_max_dbm: Dbm = Field(alias="level_max", description="Highest level that may be asked of either port")
    level_accuracy_db: Decibels = Field(alias="level_accuracy", ge=0)
    level_overshoot_db: Decibels = Field(
        alias="level_overshoot", default=0.0, ge=0, description="While it settles; the proof wants it stated, be it 0 dB"
    )
    input_max_dbm: Dbm = Field(alias="input_max", description="What either port stands")
    frequency_min_hz: Hertz = Field(alias="frequency_min", gt=0)
    frequency_max_hz: Hertz = Field(alias="frequency_max", gt=0)
    reading_time_s: Seconds = Field(
        alias="reading_time", gt=0, description="One point, all four parameters, at `if_bandwidth`; longer in inverse proportion"
    )
    if_bandwidth_hz: Hertz = Field(alias="if_bandwidth", gt=0, description="At which `reading_time` is stated")
    points_max: int = Field(ge=2, le=1_000_001, description="Longest sweep")
    settling_time_s: Seconds = Field(alias="settling_time", default=0.0, ge=0, description="After a change of level, or RF on")
    trace_noise: float | None = Field(
        default=None, ge=0, lt=0.1, description="Relative standard deviation of one reading at 1 kHz of IF bandwidth"
    )
    noise_floor_dbm: Dbm | None = Field(
        alias="noise_floor", default=None, description="Of a receiver, at its port, in 10 Hz of IF bandwidth"
    )
    linearity_db: Decibels | None = Field(
        alias="linearity", default=None, ge=0, description="Limit of error of a ratio through its receivers' non-linearity"
    )
    drift_db: Decibels | None = Field(
        alias="drift", default=None, ge=0,
        description="Limit of error of a ratio through drift and bent cables from calibration to measurement",
    )
    without_level_limit: bool = Field(default=False, description="In so many words: it has no settable level limit")


class SupplyChannelRatings(FileModel):
    voltage_min_v: Volts = Field(alias="voltage_min", default=0.0)
    voltage_max_v: Volts = Field(alias="voltage_max")
    current_max_a: Amperes = Field(alias="current_max", gt=0)
    voltage_accuracy: VoltAccuracy
    current_accuracy: AmpereAccuracy
    over_voltage_min_v: Volts | None = Field(
        alias="over_voltage_min", default=None, ge=0, description="Lowest setting of its over-voltage trip; needed by the proof"
    )
    over_voltage_max_v: Volts | None = Field(
        alias="over_voltage_max", default=None, gt=0, description="Highest setting of its over-voltage trip; needed by the proof"
    )
    without_over_voltage: bool = Field(default=False, description="In so many words: this output has no over-voltage protection")
    without_over_current: bool = Field(default=False, description="In so many words: this output has no over-current trip")


class SupplySettings(_Instrument):
    role: Literal["supply"]
    channels: dict[WholeNumberKey, SupplyChannelRatings] = Field(min_length=1)
    reading_time_s: Seconds = Field(alias="reading_time", gt=0)
    settling_time_s: Seconds = Field(alias="settling_time", ge=0)


class VoltmeterSettings(_Instrument):
    role: Literal["voltmeter"]
    voltage_max_v: Volts = Field(alias="voltage_max", gt=0)
    voltage_accuracy: VoltAccuracy
    resistance_accuracy: OhmAccuracy | None = None
    reading_time_s: Seconds = Field(alias="reading_time", gt=0)


class ChamberSettings(_Instrument):
    role: Literal["chamber"]
    temperature_min_degc: Celsius = Field(alias="temperature_min")
    temperature_max_degc: Celsius = Field(alias="temperature_max")
    ramp_k_per_min: KelvinPerMinute = Field(alias="ramp", gt=0, description="Rate the chamber is set to")
    accuracy_k: Kelvins = Field(alias="accuracy", ge=0)
    overshoot_k: Kelvins | None = Field(
        alias="overshoot", default=None, ge=0, description="Furthest the air goes past its set point; needed by the proof"
    )
    case_rise_k: Kelvins | None = Field(
        alias="case_rise",
        default=None,
        ge=0,
        description="Highest rise of the device's case above the air, by its own heat; needed by the proof",
    )
    reading_time_s: Seconds = Field(alias="reading_time", gt=0)
    case_time_constant_s: Seconds | None = Field(
        alias="case_time_constant",
        default=None,
        gt=0,
        description="How the device's case lags the air; for the time estimate",
    )
    coolant: Literal["compressor", "carbon dioxide", "liquid nitrogen", "none"] = "compressor"
    without_temperature_limits: bool = Field(default=False, description="In so many words: no settable limits in the chamber")


class SwitchSettings(_Instrument):
    role: Literal["switch"]
    power_max_dbm: Dbm = Field(alias="power_max", description="Highest level a contact may carry")
    settling_time_s: Seconds = Field(alias="settling_time", ge=0)


InstrumentSettings = Annotated[
    SourceSettings
    | PowerMeterSettings
    | AnalyserSettings
    | NetworkAnalyserSettings
    | SupplySettings
    | VoltmeterSettings
    | ChamberSettings
    | SwitchSettings,
    Field(discriminator="role"),
]


class LossTableFile(FileModel):
    """A CSV file with the columns `frequency_hz`, `loss_db` and, if it has one, `uncertainty_db` (expanded, k = 2)."""

    table: FileName


class LossTouchstone(FileModel):
    """A Touchstone file; the loss is -20 log10 of the magnitude of `parameter`."""

    touchstone: FileName
    parameter: Literal["S21", "S12"] = "S21"


class PathSettings(FileModel):
    """What lies between two planes. Loss is positive; an amplifier in it is a negative one."""

    loss: Decibels | LossTableFile | LossTouchstone
    uncertainty_db: Decibels | None = Field(alias="uncertainty", default=None, ge=0, description="Expanded, k = 2")
    frequency_min_hz: Hertz | None = Field(alias="frequency_min", default=None, description="Band of a fixed loss")
    frequency_max_hz: Hertz | None = Field(alias="frequency_max", default=None, description="Band of a fixed loss")
    power_max_dbm: Dbm = Field(
        alias="power_max", description="What its attenuators and cables stand, at the end where power enters"
    )
    saturated_power_max_dbm: Dbm | None = Field(
        alias="saturated_power_max",
        default=None,
        description="Highest level that can leave it, whatever enters; needed by the proof when it has gain (a negative loss)",
    )


class MismatchSettings(FileModel):
    """
    Reflections at one of the device's ports. Their phase is not known, and nothing is corrected for: they make an uncertainty.

    "largest magnitudes": both return losses are the worst there may be; u = rho rho' / sqrt(2). "known magnitudes": they are
    as stated, a U-shaped distribution; u = sqrt(2) rho rho' (EA-4/02, S6; Harris and Warner 1981).
    """

    path_return_loss_db: Decibels = Field(alias="path_return_loss", gt=0, description="From the device's plane into the path")
    device_return_loss_db: Decibels = Field(alias="device_return_loss", gt=0, description="From the path into the device, biased")
    convention: Literal["largest magnitudes", "known magnitudes"]


class RfInput(FileModel):
    """Source to device input. Of two sources on a combiner each has its own path, the combiner's loss included."""

    source: str
    path: str
    second_source: str | None = Field(default=None, description="For the second of two tones")
    second_path: str | None = Field(default=None, description="From the second source to the device's input")
    mismatch: MismatchSettings | None = Field(default=None, description="At the device's input; left out: not in U")


class RfOutput(FileModel):
    """Device output to the instruments that read it."""

    power_meter: str
    path: str
    analyser: str | None = None
    analyser_path: str | None = None
    mismatch: MismatchSettings | None = Field(default=None, description="At the device's output; left out: not in U")


class SupplyPin(FileModel):
    supply: str
    channel: int = Field(ge=1)


class DrainPin(SupplyPin):
    """One of a channel's drains. Of several, each a stage, `share` is its part of the quiescent current."""

    share_percent: Percent | None = Field(
        alias="share",
        default=None,
        gt=0,
        le=100,
        description="Of quiescent current, tolerance and current limit. With as many gates as drains, each gate is trimmed for "
        "its own drain; without shares all gates move together and the sum is trimmed",
    )
    voltage_v: Volts | None = Field(
        alias="voltage", default=None, gt=0, description="Its own; default: conditions.supply_voltage of the sequence"
    )

    @property
    def share(self) -> float | None:
        """`share_percent` as a part of one. [1]"""
        return None if self.share_percent is None else self.share_percent / 100


class VoltmeterPin(FileModel):
    voltmeter: str


class CaseSensor(FileModel):
    """A platinum resistor (IEC 60751, 100 ohm) on the device's case, read in four-wire ohms."""

    voltmeter: str
    kind: Literal["Pt100"] = "Pt100"


class SwitchPosition(FileModel):
    switch: str
    close: tuple[int, ...] = Field(min_length=1, description="Routes that connect this channel")


class NetworkWiring(FileModel):
    """The network analyser's way to a channel: port 1 to the device's input, port 2 to its output."""

    analyser: str
    input_path: str
    output_path: str
    position: SwitchPosition | None = Field(default=None, description="Routes that connect it; default: the channel's own")


class ChannelWiring(FileModel):
    """Which instrument reaches which pin of one channel of the device."""

    input: RfInput
    output: RfOutput
    drain_pins: DrainPin | tuple[DrainPin, ...] = Field(
        alias="drain", description="One supply output, or a list: switched on in this order, off in reverse"
    )
    gate_pins: SupplyPin | tuple[SupplyPin, ...] = Field(
        alias="gate", description="One supply output, or a list: all at pinch-off and verified before any drain comes on"
    )
    detector: VoltmeterPin | None = Field(default=None, description="Detector diode's output")
    reference: VoltmeterPin | None = Field(default=None, description="Reference diode's output")
    position: SwitchPosition | None = None
    network: NetworkWiring | None = None

    @property
    def drains(self) -> tuple[DrainPin, ...]:
        """Every drain, in the order they are switched on."""
        return self.drain_pins if isinstance(self.drain_pins, tuple) else (self.drain_pins,)

    @property
    def gates(self) -> tuple[SupplyPin, ...]:
        return self.gate_pins if isinstance(self.gate_pins, tuple) else (self.gate_pins,)

    @property
    def drain(self) -> DrainPin:
        """The first drain; most channels have but one."""
        return self.drains[0]

    @property
    def gate(self) -> SupplyPin:
        return self.gates[0]


class WiringSettings(FileModel):
    channels: dict[str, ChannelWiring] = Field(min_length=1)
    chamber: str | None = None
    case_sensor: CaseSensor | None = None


class LinkSettings(FileModel):
    """How the instruments are reached. `library` is a VISA library's name: `py`, `ivi`, or an entry point of ours."""

    library: str = "py"


class TwinKit(FileModel):
    """What the simulated calibration kit's standards are off their definitions by: normal numbers of half of each."""

    reflection_uncertainty: float = Field(
        default=0.0, ge=0, lt=1, description="k = 2, real or imaginary part, of short, open and load; of the line in 50 ohm"
    )
    transmission_uncertainty_db: Decibels = Field(
        alias="transmission_uncertainty", default=0.0, ge=0, description="k = 2, of the thru"
    )


class TwinSettings(FileModel):
    """What the simulated bench is told besides what the bench file says already."""

    device: FileName = Field(description="The simulated device's own file")
    line_delay_s: Seconds = Field(
        alias="line", default=17.7e-12, gt=0, description="Electrical length of the simulated calibration kit's line standard"
    )
    kit: TwinKit | None = Field(
        default=None, description="What its standards are off by, drawn with errors: as stated; left out: they are as defined"
    )
    errors: Literal["mostly within", "as stated"] = Field(
        default="mostly within",
        description="How the simulated instruments' errors lie within what this file states: mostly well within it; or anywhere, "
        "equally likely, with linearity, zero, drift and mismatch drawn likewise",
    )


class BenchFile(FileModel):
    """Which instruments, where, in which role; how they are wired to the device; what the bench can stand."""

    bench: str = Field(min_length=1, description="What this bench is called")
    link: LinkSettings = LinkSettings()
    instruments: dict[str, InstrumentSettings] = Field(min_length=1)
    paths: dict[str, PathSettings] = Field(min_length=1)
    wiring: WiringSettings
    twin: TwinSettings | None = None
    simulated: bool = Field(
        default=False,
        description="Simulated instruments stand behind its addresses: no device is measured, and everything says so",
    )
    notify: tuple[NotifySettings, ...] = Field(
        default=(), description="Whom a run tells; a rehearsal, or a repeat from a record's own bench text, tells nobody of these"
    )
    notes: str = ""
