"""
An instrument's personality: the `twin:` mapping of the bench file, one strict model per role.

Only what the bench file does not say already. A key left out takes a believable default; a key nobody knows is refused.
"""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping
from typing import Literal, TypeVar

from pydantic import Field, ValidationError

from benchkit.errors import FileError, Mistake
from benchkit.files.types import (
    Amperes,
    Dbm,
    Decibels,
    FileModel,
    Hertz,
    KelvinPerMinute,
    Kelvins,
    Ohms,
    Percent,
    Seconds,
    Volts,
)
from sim_instruments.instruments.noise import ErrorsDrawn

__all__ = [
    "AnalyserOptions",
    "ChamberOptions",
    "NetworkAnalyserOptions",
    "Options",
    "PowerMeterOptions",
    "SourceOptions",
    "SupplyOptions",
    "SwitchOptions",
    "VoltmeterOptions",
    "read_options",
]


class Options(FileModel):
    """What every role takes."""

    maker_text: str = Field(
        default="Generic SCPI", pattern=r"^[ -+\--~]+$", description="First field of the answer to *IDN?; no comma"
    )
    errors: ErrorsDrawn = Field(
        default="mostly within",
        description="How its errors lie within what the bench file states; default: what the bench file's `twin.errors` says",
    )


class SourceOptions(Options):
    resolution_db: Decibels = Field(alias="resolution", default=0.01, gt=0)
    frequency_resolution_hz: Hertz = Field(alias="frequency_resolution", default=1.0, gt=0)
    settling_time_s: Seconds | None = Field(
        alias="settling_time",
        default=None,
        ge=0,
        description="When it believes to have settled (*OPC?), if not the bench file's time; the level itself takes that",
    )


class PowerMeterOptions(Options):
    resolution_db: Decibels = Field(alias="resolution", default=0.001, gt=0)
    noise_db: Decibels = Field(
        alias="noise", default=0.003, ge=0, description="Of one reading, standard deviation, well above the floor"
    )
    floor_noise_percent: Percent = Field(
        alias="floor_noise",
        default=2.0,
        ge=0,
        description="Of one reading, standard deviation, in percent of the power at range_min",
    )
    reading_time_s: Seconds | None = Field(
        alias="reading_time", default=None, gt=0, description="True one, if not the bench file's"
    )
    zeroing_time_s: Seconds = Field(alias="zeroing_time", default=3.0, ge=0)
    adapter_loss_db: Decibels = Field(
        alias="adapter_loss", default=0.0, ge=0, description="Between the sensor and where hands put it, away from its own place"
    )


class AnalyserOptions(Options):
    resolution_db: Decibels = Field(alias="resolution", default=0.001, gt=0)
    noise_db: Decibels = Field(
        alias="noise", default=0.01, ge=0, description="Of one reading, standard deviation, well above the floor"
    )
    residual_frequency_hz: Hertz | None = Field(
        alias="residual_frequency", default=None, gt=0, description="Where it shows a response of its own, with nothing connected"
    )
    residual_dbm: Dbm = Field(
        alias="residual", default=-90.0, description="Its level with 0 dB of attenuation; rises with it"
    )
    reading_time_s: Seconds | None = Field(
        alias="reading_time", default=None, gt=0, description="True one, if not the bench file's"
    )


class NetworkAnalyserOptions(Options):
    """Its test set's errors before any correction, as one would read them in a data sheet."""

    ideal: bool = Field(default=False, description="No systematic errors and no noise: it reads the truth")
    directivity_db: Decibels = Field(alias="directivity", default=26.0, gt=0)
    match_db: Decibels = Field(alias="match", default=18.0, gt=0, description="Of either port, driving or not")
    switch_match_db: Decibels | None = Field(
        alias="switch_match", default=None, gt=0, description="Of the switch behind a port that does not drive; default: perfect"
    )
    tracking_db: Decibels = Field(alias="tracking", default=3.0, ge=0, description="Losses within a port, up to half of it")
    crosstalk_db: Decibels = Field(alias="crosstalk", default=105.0, gt=0, description="From port to port")
    noise_floor_dbm: Dbm = Field(alias="noise_floor", default=-125.0, description="Of a receiver, at 10 Hz IF bandwidth")
    trace_noise: float = Field(default=2e-4, ge=0, lt=0.1, description="Relative, at 1 kHz IF bandwidth, standard deviation")
    reading_time_s: Seconds | None = Field(
        alias="reading_time", default=None, gt=0, description="True one of a point, if not the bench file's"
    )


class SupplyOptions(Options):
    voltage_resolution_v: Volts = Field(alias="voltage_resolution", default=0.0005, gt=0)
    current_resolution_a: Amperes = Field(alias="current_resolution", default=1e-6, gt=0)
    voltage_noise_v: Volts = Field(alias="voltage_noise", default=0.0002, ge=0, description="Of one reading, standard deviation")
    current_noise_a: Amperes = Field(alias="current_noise", default=1e-6, ge=0, description="Of one reading, standard deviation")
    reading_time_s: Seconds | None = Field(
        alias="reading_time", default=None, gt=0, description="True one, if not the bench file's"
    )


class VoltmeterOptions(Options):
    voltage_resolution_v: Volts = Field(alias="voltage_resolution", default=1e-7, gt=0)
    resistance_resolution_ohm: Ohms = Field(alias="resistance_resolution", default=1e-4, gt=0)
    voltage_noise_v: Volts = Field(alias="voltage_noise", default=2e-6, ge=0, description="Of one reading, standard deviation")
    resistance_noise_ohm: Ohms = Field(
        alias="resistance_noise", default=0.0005, ge=0, description="Of one reading, standard deviation"
    )
    reading_time_s: Seconds | None = Field(
        alias="reading_time", default=None, gt=0, description="True one, if not the bench file's"
    )


class ChamberOptions(Options):
    resolution_k: Kelvins = Field(alias="resolution", default=0.01, gt=0)
    noise_k: Kelvins = Field(alias="noise", default=0.02, ge=0, description="Of one reading, standard deviation")
    ramp_max_k_per_min: KelvinPerMinute = Field(alias="ramp_max", default=20.0, gt=0, description="Fastest rate it takes")
    temperature_unit: Literal["C", "F", "K"] = Field(default="C", description="After it is switched on and after *RST")
    reading_time_s: Seconds | None = Field(
        alias="reading_time", default=None, gt=0, description="True one, if not the bench file's"
    )


class SwitchOptions(Options):
    routes: str | None = Field(
        default=None,
        pattern=r"^\d{1,6}(,\s*\d{1,6})*$",
        description="Routes it has, e.g. '101, 102, 201, 202'; default: those the wiring names",
    )


OptionsT = TypeVar("OptionsT", bound=Options)


def read_options(
    kind: type[OptionsT], mapping: Mapping[str, object], *, file: str, instrument: str, line: int | None = None
) -> OptionsT:
    """
    One instrument's `twin:` mapping.

    Args:
        kind: Model of the role.
        mapping: As the bench file has it.
        file: The bench file's name, for the messages.
        instrument: Its name in the bench file.
        line: Where the mapping stands.

    Raises:
        FileError: All mistakes at once.
    """
    try:
        # In JSON mode a quantity without a unit is a mistake, as everywhere in a file.
        return kind.model_validate_json(json.dumps(dict(mapping)))
    except ValidationError as error:
        known = sorted(field.alias or name for name, field in kind.model_fields.items())
        mistakes = []
        for detail in error.errors(include_url=False):
            key = ".".join(str(part) for part in detail["loc"])
            message = detail["msg"]
            if detail["type"] == "extra_forbidden":
                near = difflib.get_close_matches(key, known, n=1)
                hint = f"did you mean {near[0]}?" if near else f"the twin's {instrument} knows {', '.join(known)}"
                message = f"unknown key; {hint}"
            mistakes.append(Mistake(file, line, f"instruments.{instrument}.twin.{key}", message))
        raise FileError(mistakes) from error
