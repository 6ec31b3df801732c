"""One channel of the device with everything that is wired to it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from sim_instruments.physics.detector import ChannelDetector
from sim_instruments.physics.device import ChannelDevice, Response
from sim_instruments.physics.paths import PathTruth
from sim_instruments.physics.source import SourcePort
from sim_instruments.physics.supply import SupplyPort
from sim_instruments.physics.switch import SwitchPort
from sim_instruments.physics.thermal import ChannelThermal

__all__ = ["DeviceChannel", "Operating"]


class Operating(NamedTuple):
    """One channel at one moment: what reaches its pins and what it answers. [dBm, Hz, V, degC]"""

    frequency_hz: float
    input_dbm: float
    drain_v: float
    gate_v: float
    channel_degc: float
    response: Response


@dataclass(frozen=True)
class DeviceChannel:
    """
    Attributes:
        name: In the wiring.
        meters: Power meter's and analyser's name to the path that leads there.
        closes: Routes that must be closed for RF and detector lines to be connected.
    """

    name: str
    device: ChannelDevice
    detector: ChannelDetector
    thermal: ChannelThermal
    source: SourcePort
    input_path: PathTruth
    meters: dict[str, PathTruth]
    drain: SupplyPort
    gate: SupplyPort
    switch: SwitchPort | None
    closes: frozenset[int]
    detector_voltmeter: str | None
    reference_voltmeter: str | None

    def is_connected(self) -> bool:
        """Whether the switch takes RF and detector lines to this channel."""
        return self.switch is None or self.closes <= self.switch.routes

    def input_dbm(self, t: float) -> float:
        """Level at the input pin; minus infinity: none. [dBm]"""
        source = self.source
        if not source.is_on or not self.is_connected():
            return -math.inf
        return source.level_dbm(t) - self.input_path.loss_db(source.frequency_hz)

    def operate(self, t: float, drain_v: float, gate_v: float, case_degc: float) -> Operating:
        """With these voltages at its pins. [s, V, degC]"""
        channel_degc = case_degc + self.thermal.rise_k(t)
        frequency_hz, input_dbm = self.source.frequency_hz, self.input_dbm(t)
        response = self.device.respond(frequency_hz, input_dbm, drain_v, gate_v, channel_degc)
        return Operating(frequency_hz, input_dbm, drain_v, gate_v, channel_degc, response)
