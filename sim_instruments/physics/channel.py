"""One channel of the device with everything that is wired to it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import NamedTuple

from sim_instruments.physics.detector import ChannelDetector
from sim_instruments.physics.device import NOTHING, ChannelDevice, Response, milliwatts
from sim_instruments.physics.kit import KitTruth
from sim_instruments.physics.match import ChannelMatch
from sim_instruments.physics.mismatch import PortMismatch
from sim_instruments.physics.network import PathTwoPort
from sim_instruments.physics.paths import PathTruth
from sim_instruments.physics.source import SourcePort
from sim_instruments.physics.supply import SupplyPort
from sim_instruments.physics.switch import SwitchPort
from sim_instruments.physics.thermal import ChannelThermal
from sim_instruments.physics.tones import Line, ToneAnswer, respond_to_tones

__all__ = [
    "DEVICE",
    "SENSOR",
    "SENSOR_AT_ANALYSER",
    "SENSOR_AT_SECOND",
    "SENSOR_AT_SOURCE",
    "DeviceChannel",
    "Feed",
    "Fixture",
    "NetworkFeed",
    "Operating",
]

DEVICE = "device"
"""What is normally in the fixture."""

SENSOR, SENSOR_AT_SOURCE, SENSOR_AT_SECOND = "sensor", "sensor at source", "sensor at second source"
"""
The power meter's sensor away from its own place: at the device's input plane, the device taken out; at the connector of the first
or the second source, whose cable then leads nowhere.
"""

SENSOR_AT_ANALYSER = "sensor at analyser"
"""The sensor at the analyser's end of its cable, a thru in place of the device; the analyser then sees nothing."""

LEADS_ON = ("thru", "line", SENSOR_AT_ANALYSER)
"""What of all that can be in the fixture leads on what comes."""


class Operating(NamedTuple):
    """
    One channel at one moment: what reaches its pins and what it answers. [dBm, Hz, V, degC]

    Attributes:
        frequency_hz: Of the carrier; of several, the strongest.
        input_dbm: At the device's input pin, all tones together.
        tones: The answer to several tones; None: there is but one, or none.
    """

    frequency_hz: float
    input_dbm: float
    drain_v: float
    gate_v: float
    channel_degc: float
    response: Response
    tones: ToneAnswer | None = None


class Fixture:
    """
    Attributes:
        what: "device", or what hands have put in its place: a standard, or the power meter's sensor; see `put`.
        line_delay_s: Of the line standard. [s]
        kit: What the standards are off by; None: nothing.
        is_plain: The device is in it, and but one source can reach it: the common case, answered the short way.

    Args:
        has_one_source: Neither a second source nor a network analyser is wired to it.
    """

    __slots__ = ("_has_one_source", "is_plain", "kit", "line_delay_s", "what")

    def __init__(self, line_delay_s: float, kit: KitTruth | None = None, *, has_one_source: bool) -> None:
        self.line_delay_s, self.kit = line_delay_s, kit
        self._has_one_source = has_one_source
        self.put(DEVICE)

    def put(self, what: str) -> None:
        """Put the device, a standard or a sensor in it."""
        self.what = what
        self.is_plain = self._has_one_source and what == DEVICE


@dataclass(frozen=True)
class Feed:
    """A second source and its way to the input."""

    source: SourcePort
    path: PathTruth


@dataclass(frozen=True)
class NetworkFeed:
    """
    A network analyser's way to both sides of the channel.

    Attributes:
        port: What its driving port holds; at rest it is port 1 that drives.
        closes: Routes that must be closed.
    """

    name: str
    port: SourcePort
    input_path: PathTwoPort
    output_path: PathTwoPort
    switch: SwitchPort | None
    closes: frozenset[int]

    def is_connected(self) -> bool:
        """Whether the switch takes it to this channel."""
        return self.switch is None or self.closes <= self.switch.routes


@dataclass(frozen=True)
class DeviceChannel:
    """
    Attributes:
        name: In the wiring.
        meters: Power meter's and analyser's name to the path that leads there.
        closes: Routes that must be closed for RF and detector lines to be connected.
        second: The second source, if one is wired.
        network: The network analyser, if one is wired.
        power_meter: Which of `meters` is the power meter, whose sensor can be put elsewhere.
        analyser: Which of `meters` is the spectrum analyser, whose cable the sensor can be put on; "": none is wired.
        adapter_db: What is lost between the sensor and where it is put then.
        input_mismatch, output_mismatch: Of the paths of sources and meters with the device; None: matched.
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
    match: ChannelMatch
    fixture: Fixture
    second: Feed | None = None
    network: NetworkFeed | None = None
    power_meter: str = ""
    analyser: str = ""
    adapter_db: float = 0.0
    input_mismatch: PortMismatch | None = None
    output_mismatch: PortMismatch | None = None
    _last: dict[tuple[object, ...], ToneAnswer] = field(default_factory=dict, repr=False, compare=False)

    def is_connected(self) -> bool:
        """Whether the switch takes RF and detector lines to this channel."""
        return self.switch is None or self.closes <= self.switch.routes

    def feeding(self) -> list[SourcePort]:
        """What gives RF to the fixture as the switches stand, on or not."""
        found = []
        if self.is_connected():
            found.append(self.source)
            if self.second is not None:
                found.append(self.second.source)
        if self.network is not None and self.network.is_connected():
            found.append(self.network.port)
        return found

    def at_sensor(self, t: float) -> list[Line] | None:
        """What the power meter's sensor sees where hands have put it; None: it is at its own place. [Hz, dBm]"""
        what = self.fixture.what
        if what == SENSOR:
            return [(hz, level_dbm - self.adapter_db) for hz, level_dbm in self.tones(t)]
        if what == SENSOR_AT_ANALYSER:
            path = self.meters[self.analyser]
            return [(hz, self.at_meter_dbm(path, level_dbm, hz) - self.adapter_db) for hz, level_dbm in self.tones(t)]
        if what == SENSOR_AT_SOURCE:
            source = self.source
        elif what == SENSOR_AT_SECOND and self.second is not None:
            source = self.second.source
        else:
            return None
        level_dbm = source.level_dbm(t) - self.adapter_db if source.is_on else NOTHING
        return [(source.frequency_hz, level_dbm)] if level_dbm > NOTHING else []

    def is_cable_off(self, meter: str) -> bool:
        """Whether the sensor has a meter's cable, so that the meter sees nothing of this channel."""
        return meter == self.analyser and self.fixture.what == SENSOR_AT_ANALYSER

    def things(self) -> tuple[str, ...]:
        """Where the power meter's sensor can be put as this channel is wired, away from its own place."""
        second = () if self.second is None else (SENSOR_AT_SECOND,)
        analyser = (SENSOR_AT_ANALYSER,) if self.analyser else ()
        return (SENSOR, SENSOR_AT_SOURCE, *second, *analyser)

    def input_dbm(self, t: float) -> float:
        """Level at the input pin by the first source; minus infinity: none. [dBm]"""
        source = self.source
        if not source.is_on or not self.is_connected():
            return -math.inf
        return self._at_fixture_dbm(self.input_path, source, t)

    def _at_fixture_dbm(self, path: PathTruth, source: SourcePort, t: float) -> float:
        """Of a source, at what is in the fixture. [dBm]"""
        level_dbm = path.through(source.level_dbm(t), source.frequency_hz)
        if self.input_mismatch is None or self.fixture.what != DEVICE:
            return level_dbm
        return level_dbm + self.input_mismatch.gain_db(source.frequency_hz)

    def at_meter_dbm(self, path: PathTruth, level_dbm: float, frequency_hz: float) -> float:
        """Of a line that leaves what is in the fixture, at a meter. [dBm]"""
        if self.output_mismatch is not None and self.fixture.what == DEVICE:
            level_dbm += self.output_mismatch.gain_db(frequency_hz)
        return path.through(level_dbm, frequency_hz)

    def tones(self, t: float) -> list[Line]:
        """Everything that reaches the input of the fixture. [Hz, dBm]"""
        found: list[Line] = []
        if self.is_connected():
            # With the sensor at its connector nothing of a source goes on.
            feeds = [] if self.fixture.what == SENSOR_AT_SOURCE else [(self.source, self.input_path)]
            if self.second is not None and self.fixture.what != SENSOR_AT_SECOND:
                feeds.append((self.second.source, self.second.path))
            found = [
                (source.frequency_hz, self._at_fixture_dbm(path, source, t))
                for source, path in feeds
                if source.is_on
            ]
        if self.network is not None and self.network.port.is_on and self.network.is_connected():
            port, path = self.network.port, self.network.input_path.path
            found.append((port.frequency_hz, port.level_dbm(t) - path.loss_db(port.frequency_hz)))
        return [(hz, level_dbm) for hz, level_dbm in found if level_dbm > NOTHING]

    def operate(self, t: float, drain_v: float, gate_v: float, case_degc: float) -> Operating:
        """With these voltages at its pins. [s, V, degC]"""
        channel_degc = case_degc + self.thermal.rise_k(t)
        if not self.fixture.is_plain:
            return self._operate_any(t, drain_v, gate_v, channel_degc, case_degc)
        frequency_hz, input_dbm = self.source.frequency_hz, self.input_dbm(t)
        response = self.device.respond(frequency_hz, input_dbm, drain_v, gate_v, channel_degc)
        return Operating(frequency_hz, input_dbm, drain_v, gate_v, channel_degc, response)

    def lines(self, point: Operating) -> list[Line]:
        """Everything at the output of the fixture. [Hz, dBm]"""
        response = point.response
        if point.tones is not None:
            found = list(point.tones.lines)
        elif response.output_dbm > NOTHING:
            found = [(point.frequency_hz, response.output_dbm), *self.device.harmonics(point.frequency_hz, response)]
        else:
            found = []
        # Where a standard is in its place the device draws nothing, and so has no tone of its own.
        return found + self.device.own_tone(response)

    def _operate_any(self, t: float, drain_v: float, gate_v: float, channel_degc: float, case_degc: float) -> Operating:
        """With any number of tones, and whatever is in the fixture."""
        tones = self.tones(t)
        if self.fixture.what != DEVICE:
            return self._standard(tones, drain_v, gate_v, case_degc)
        if len(tones) <= 1:
            frequency_hz, input_dbm = tones[0] if tones else (self.source.frequency_hz, NOTHING)
            response = self.device.respond(frequency_hz, input_dbm, drain_v, gate_v, channel_degc)
            return Operating(frequency_hz, input_dbm, drain_v, gate_v, channel_degc, response)
        device = self.device
        key = (*tones, drain_v, gate_v, channel_degc, device.gain_shift_db, device.current_factor)
        answer = self._last.get(key)
        if answer is None:
            self._last.clear()
            answer = self._last[key] = respond_to_tones(device, tones, drain_v, gate_v, channel_degc)
        strongest_hz = max(tones, key=lambda tone: tone[1])[0]
        input_dbm = 10.0 * math.log10(sum(milliwatts(level_dbm) for _, level_dbm in tones))
        return Operating(strongest_hz, input_dbm, drain_v, gate_v, channel_degc, answer.response, answer)

    def _standard(self, tones: list[Line], drain_v: float, gate_v: float, case_degc: float) -> Operating:
        """No device: nothing reaches its pins and nothing is drawn; a thru, for one, leads on what comes."""
        through = tuple(tones) if self.fixture.what in LEADS_ON else ()
        level_dbm = 10.0 * math.log10(sum(milliwatts(level) for _, level in through)) if through else NOTHING
        response = Response(level_dbm, 0.0, 0.0, 0.0, 0.0, 0.0)
        frequency_hz = max(tones, key=lambda tone: tone[1])[0] if tones else self.source.frequency_hz
        answer = ToneAnswer(response, through, NOTHING)
        return Operating(frequency_hz, NOTHING, drain_v, gate_v, case_degc, response, answer)
