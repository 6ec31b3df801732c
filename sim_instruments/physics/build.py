"""From a bench file and a device file to ports and channels, wired as the bench file says."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from benchkit.bench.load import Bench
from benchkit.bench.model import (
    AnalyserSettings,
    ChannelWiring,
    MismatchSettings,
    NetworkAnalyserSettings,
    PowerMeterSettings,
    SourceSettings,
    SupplySettings,
    SwitchSettings,
)
from benchkit.quantities import parse_quantity
from sim_instruments.device_file import DeviceFile
from sim_instruments.physics.channel import DeviceChannel, Feed, Fixture, NetworkFeed
from sim_instruments.physics.detector import ChannelDetector
from sim_instruments.physics.device import ChannelDevice
from sim_instruments.physics.kit import KitTruth
from sim_instruments.physics.match import ChannelMatch
from sim_instruments.physics.mismatch import PortMismatch
from sim_instruments.physics.network import PathTwoPort
from sim_instruments.physics.paths import PathTruth
from sim_instruments.physics.source import SourcePort
from sim_instruments.physics.spread import UnitSpread
from sim_instruments.physics.supply import SupplyPort
from sim_instruments.physics.switch import SwitchPort
from sim_instruments.physics.thermal import ChannelThermal
from sim_instruments.physics.watch import Ratings

__all__ = ["Ports", "build_channels", "build_ports", "ratings_of"]


@dataclass(frozen=True)
class Ports:
    """
    Everything that can be touched from outside, by its name in the bench file; one object each.

    Attributes:
        sources: What gives RF: sources, and the driving ports of network analysers.
        two_ports: Paths of network analysers, with match and phase.
    """

    sources: Mapping[str, SourcePort]
    supplies: Mapping[tuple[str, int], SupplyPort]
    switches: Mapping[str, SwitchPort]
    paths: Mapping[str, PathTruth]
    two_ports: Mapping[str, PathTwoPort]


def build_ports(bench: Bench, seed: int) -> Ports:
    """One port for each source, supply output, switch and path."""
    instruments = bench.file.instruments
    paths = {name: PathTruth(path, seed, bench.file.paths[name].saturated_power_max_dbm) for name, path in bench.paths.items()}
    networks = [wiring.network for wiring in bench.file.wiring.channels.values() if wiring.network is not None]
    two_ports = [name for network in networks for name in (network.input_path, network.output_path)]
    return Ports(
        sources={
            name: SourcePort(name, _source_settling_s(settings), settings.level_overshoot_db)
            for name, settings in instruments.items()
            if isinstance(settings, SourceSettings | NetworkAnalyserSettings)
        },
        supplies={
            (name, number): SupplyPort(name, number, settings.settling_time_s)
            for name, settings in instruments.items()
            if isinstance(settings, SupplySettings)
            for number in settings.channels
        },
        switches={
            name: SwitchPort(name, settings.power_max_dbm)
            for name, settings in instruments.items()
            if isinstance(settings, SwitchSettings)
        },
        paths=paths,
        two_ports={name: PathTwoPort(paths[name], seed) for name in two_ports},
    )


def build_channels(
    bench: Bench, ports: Ports, device: DeviceFile, t: float, *, seed: int, unit: str
) -> tuple[DeviceChannel, ...]:
    """Every channel of the wiring, of one unit."""
    twin = bench.file.twin
    line_delay_s = 0.0 if twin is None else twin.line_delay_s
    # Only where every stated error is drawn; without it all ends are matched.
    drawn_with = seed if twin is not None and twin.errors == "as stated" else None
    # One kit, whatever channel it is connected to.
    kit = None if twin is None or twin.kit is None or drawn_with is None else KitTruth(twin.kit, seed)
    # What the bench file's `twin:` mapping of a power meter says of the adapter that its sensor needs elsewhere.
    meters = {wiring.output.power_meter for wiring in bench.file.wiring.channels.values()}
    adapters_db = {
        name: parse_quantity(str(bench.file.instruments[name].twin.get("adapter_loss", "0 dB")), "dB") for name in meters
    }
    return tuple(
        _channel(
            name, wiring, ports, device, t, UnitSpread(unit, name), adapters_db[wiring.output.power_meter], drawn_with,
            Fixture(line_delay_s, kit, has_one_source=wiring.network is None and wiring.input.second_source is None),
        )
        for name, wiring in bench.file.wiring.channels.items()
    )


def ratings_of(bench: Bench) -> Ratings:
    """What paths and meters stand."""
    return Ratings(
        paths_dbm={name: path.power_max_dbm for name, path in bench.file.paths.items()},
        meters_dbm={
            name: settings.input_max_dbm
            for name, settings in bench.file.instruments.items()
            if isinstance(settings, PowerMeterSettings | AnalyserSettings | NetworkAnalyserSettings)
        },
    )


def _channel(
    name: str, wiring: ChannelWiring, ports: Ports, device: DeviceFile, t: float, spread: UnitSpread, adapter_db: float,
    drawn_with: int | None, fixture: Fixture,
) -> DeviceChannel:
    output, position = wiring.output, wiring.position
    meters = {output.power_meter: ports.paths[output.path]}
    if output.analyser is not None:
        meters[output.analyser] = ports.paths[output.analyser_path or output.path]
    return DeviceChannel(
        name=name,
        device=ChannelDevice(device, spread),
        detector=ChannelDetector(device, spread),
        thermal=ChannelThermal(t, device.thermal),
        source=ports.sources[wiring.input.source],
        input_path=ports.paths[wiring.input.path],
        meters=meters,
        drain=ports.supplies[wiring.drain.supply, wiring.drain.channel],
        gate=ports.supplies[wiring.gate.supply, wiring.gate.channel],
        switch=None if position is None else ports.switches[position.switch],
        closes=frozenset() if position is None else frozenset(position.close),
        detector_voltmeter=None if wiring.detector is None else wiring.detector.voltmeter,
        reference_voltmeter=None if wiring.reference is None else wiring.reference.voltmeter,
        match=ChannelMatch(device, spread),
        fixture=fixture,
        second=_second(wiring, ports),
        power_meter=output.power_meter,
        analyser=output.analyser or "",
        adapter_db=adapter_db,
        network=_network(wiring, ports),
        input_mismatch=_mismatch(wiring.input.mismatch, drawn_with, name, "input"),
        output_mismatch=_mismatch(wiring.output.mismatch, drawn_with, name, "output"),
    )


def _mismatch(stated: MismatchSettings | None, seed: int | None, channel: str, port: str) -> PortMismatch | None:
    return None if stated is None or seed is None else PortMismatch(stated, seed, channel, port)


def _second(wiring: ChannelWiring, ports: Ports) -> Feed | None:
    source, path = wiring.input.second_source, wiring.input.second_path
    return None if source is None or path is None else Feed(ports.sources[source], ports.paths[path])


def _network(wiring: ChannelWiring, ports: Ports) -> NetworkFeed | None:
    network = wiring.network
    if network is None:
        return None
    position = network.position or wiring.position
    return NetworkFeed(
        name=network.analyser,
        port=ports.sources[network.analyser],
        input_path=ports.two_ports[network.input_path],
        output_path=ports.two_ports[network.output_path],
        switch=None if position is None else ports.switches[position.switch],
        closes=frozenset() if position is None else frozenset(position.close),
    )


def _source_settling_s(settings: SourceSettings | NetworkAnalyserSettings) -> float:
    # The bench file's `twin:` mapping may say that the true settling time is another than the one stated.
    told = settings.twin.get("settling_time")
    return settings.settling_time_s if told is None else parse_quantity(str(told), "s")
