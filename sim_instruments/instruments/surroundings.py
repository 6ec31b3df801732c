"""What an instrument's terminals see: the part of the world that instruments talk to. Implemented by World."""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

__all__ = ["Surroundings", "Terminal"]


class Terminal(Protocol):
    """One supply output as it is."""

    @property
    def voltage_v(self) -> float: ...

    @property
    def current_a(self) -> float: ...

    @property
    def mode(self) -> str:
        """ "off", "constant voltage" or "constant current"."""
        ...

    @property
    def tripped(self) -> str:
        """ "", "over voltage" or "over current"."""
        ...


class Surroundings(Protocol):
    """Times are monotonic seconds and never go back. Levels are true and free of noise."""

    def source_changed(self, name: str, t: float, *, frequency_hz: float, level_dbm: float, on: bool) -> None: ...

    def power_at(self, meter: str, t: float) -> float: ...

    def spectrum_at(self, analyser: str, t: float) -> list[tuple[float, float]]: ...

    def network_at(self, analyser: str, t: float, frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]: ...

    def supply_changed(
        self, name: str, channel: int, t: float, *, voltage_v: float, current_limit_a: float, on: bool
    ) -> None: ...

    def supply_protection(self, name: str, channel: int, *, over_voltage_v: float | None, over_current: bool) -> None: ...

    def supply_clear_trip(self, name: str, channel: int, t: float) -> None: ...

    def supply_terminal(self, name: str, channel: int, t: float) -> Terminal: ...

    def voltage_at(self, voltmeter: str, t: float) -> float: ...

    def resistance_at(self, voltmeter: str, t: float) -> float: ...

    def chamber_changed(self, t: float, *, setpoint_degc: float, ramp_k_per_min: float, running: bool) -> None: ...

    def air_temperature(self, t: float) -> float: ...

    def routes_changed(self, switch: str, routes: frozenset[int], t: float) -> None: ...
