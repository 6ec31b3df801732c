"""
What a role must be told about its instrument, as protocols: the bench file's models have these attributes.

Roles stand below the bench file and do not import it. Names carry the unit. Accuracies and the like, which roles
don't need, are left out.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

__all__ = [
    "AnalyserSettings",
    "ChamberSettings",
    "InstrumentSettings",
    "NetworkAnalyserSettings",
    "PowerMeterSettings",
    "RfOutputSettings",
    "SourceSettings",
    "SupplyChannelSettings",
    "SupplySettings",
    "SwitchSettings",
    "VoltmeterSettings",
]


class InstrumentSettings(Protocol):
    """Of every instrument."""

    @property
    def timeout_s(self) -> float:
        """Longest wait for one reply. [s]"""
        ...

    @property
    def dialect(self) -> Mapping[str, str]:
        """Commands and values of the driver that this instrument spells otherwise, by the driver's name for them."""
        ...


class RfOutputSettings(InstrumentSettings, Protocol):
    """Of an instrument that can feed RF into the device."""

    @property
    def level_min_dbm(self) -> float: ...
    @property
    def level_max_dbm(self) -> float: ...
    @property
    def frequency_min_hz(self) -> float: ...
    @property
    def frequency_max_hz(self) -> float: ...
    @property
    def settling_time_s(self) -> float: ...
    @property
    def without_level_limit(self) -> bool: ...


class SourceSettings(RfOutputSettings, Protocol):
    pass


class PowerMeterSettings(InstrumentSettings, Protocol):
    @property
    def input_max_dbm(self) -> float: ...
    @property
    def frequency_min_hz(self) -> float: ...
    @property
    def frequency_max_hz(self) -> float: ...
    @property
    def reading_time_s(self) -> float: ...


class AnalyserSettings(InstrumentSettings, Protocol):
    @property
    def input_max_dbm(self) -> float: ...
    @property
    def frequency_min_hz(self) -> float: ...
    @property
    def frequency_max_hz(self) -> float: ...
    @property
    def reading_time_s(self) -> float: ...
    @property
    def attenuation_max_db(self) -> float | None: ...
    @property
    def intercept_dbm(self) -> float | None: ...
    @property
    def second_intercept_dbm(self) -> float | None: ...
    @property
    def noise_floor_dbm(self) -> float | None: ...


class NetworkAnalyserSettings(RfOutputSettings, Protocol):
    @property
    def reading_time_s(self) -> float: ...
    @property
    def if_bandwidth_hz(self) -> float: ...
    @property
    def points_max(self) -> int: ...


class SupplyChannelSettings(Protocol):
    """Of one output of a supply."""

    @property
    def voltage_min_v(self) -> float: ...
    @property
    def voltage_max_v(self) -> float: ...
    @property
    def current_max_a(self) -> float: ...
    @property
    def without_over_voltage(self) -> bool: ...
    @property
    def without_over_current(self) -> bool: ...


class SupplySettings(InstrumentSettings, Protocol):
    @property
    def channels(self) -> Mapping[int, SupplyChannelSettings]: ...
    @property
    def reading_time_s(self) -> float: ...
    @property
    def settling_time_s(self) -> float: ...


class VoltmeterSettings(InstrumentSettings, Protocol):
    @property
    def voltage_max_v(self) -> float: ...
    @property
    def reading_time_s(self) -> float: ...


class ChamberSettings(InstrumentSettings, Protocol):
    @property
    def temperature_min_degc(self) -> float: ...
    @property
    def temperature_max_degc(self) -> float: ...
    @property
    def ramp_k_per_min(self) -> float: ...
    @property
    def reading_time_s(self) -> float: ...
    @property
    def without_temperature_limits(self) -> bool: ...


class SwitchSettings(InstrumentSettings, Protocol):
    @property
    def settling_time_s(self) -> float: ...
