"""What a bench file must fulfil beyond its keys and units: names that exist, ranges that ascend, wiring that can be."""

from __future__ import annotations

import re
from collections.abc import Iterator

from benchkit.bench.model import (
    BenchFile,
    ChannelWiring,
    InstrumentSettings,
    NetworkAnalyserSettings,
    NetworkWiring,
    SupplyPin,
    SupplySettings,
    VoltmeterSettings,
)
from benchkit.errors import Mistake
from benchkit.files.document import Document, dotted
from benchkit.files.wording import unknown
from benchkit.quantities.format import format_quantity

__all__ = ["check_bench"]

# Attributes that are the two ends of one range, with their unit.
_RANGES = (
    ("level_min_dbm", "level_max_dbm", "dBm"),
    ("range_min_dbm", "range_max_dbm", "dBm"),
    ("frequency_min_hz", "frequency_max_hz", "Hz"),
    ("temperature_min_degc", "temperature_max_degc", "degC"),
    ("voltage_min_v", "voltage_max_v", "V"),
    ("over_voltage_min_v", "over_voltage_max_v", "V"),
)


def check_bench(file: BenchFile, document: Document) -> list[Mistake]:
    """Every mistake of this sort, in the order of the file."""
    found = [
        *_addresses(file),
        *_ranges(file),
        *_wiring(file),
    ]
    mistakes = [document.mistake(key, message) for key, message in found]
    return sorted(mistakes, key=lambda mistake: mistake.line or 0)


Found = tuple[str, str]


def _addresses(file: BenchFile) -> Iterator[Found]:
    seen: dict[str, str] = {}
    for name, settings in file.instruments.items():
        key = dotted(("instruments", name, "address"))
        # `ivi` libraries know aliases, which can be any text.
        if file.link.library != "ivi" and "::" not in settings.address:
            yield (
                key,
                f"{settings.address!r} is no VISA resource name; expected one such as TCPIP0::192.0.2.11::5025::SOCKET",
            )
        # Board number 0 may be left out (VPP-4.3), and case does not matter.
        address = re.sub(r"^([A-Z]+)::", r"\g<1>0::", settings.address.strip().upper())
        if address in seen:
            yield key, f"instrument {seen[address]} has this address too; one instrument, one name"
        seen.setdefault(address, name)


def _ranges(file: BenchFile) -> Iterator[Found]:
    for name, settings in file.instruments.items():
        yield from _range_of(settings, dotted(("instruments", name)))
        if isinstance(settings, SupplySettings):
            for number, ratings in settings.channels.items():
                yield from _range_of(ratings, dotted(("instruments", name, "channels", str(number))))


def _range_of(settings: object, key: str) -> Iterator[Found]:
    for low_name, high_name, unit in _RANGES:
        low, high = getattr(settings, low_name, None), getattr(settings, high_name, None)
        if low is not None and high is not None and not low < high:
            low_key, high_key = (attribute.rsplit("_", 1)[0] for attribute in (low_name, high_name))
            yield (
                f"{key}.{high_key}",
                f"{format_quantity(high, unit)} is not above {low_key}, {format_quantity(low, unit)}",
            )


def _wiring(file: BenchFile) -> Iterator[Found]:
    wiring = file.wiring
    positions: dict[tuple[str, frozenset[int]], str] = {}
    for channel, wires in wiring.channels.items():
        key = dotted(("wiring", "channels", channel))
        yield from _channel(file, wires, key)
        if wires.position is not None:
            position = wires.position.switch, frozenset(wires.position.close)
            if position in positions:
                yield (
                    f"{key}.position.close",
                    f"connects channel {positions[position]} too; the routes of channels differ",
                )
            positions.setdefault(position, channel)
    yield from _networks(file)
    if wiring.chamber is not None:
        yield from _role(file, wiring.chamber, "chamber", "wiring.chamber")
    if wiring.case_sensor is not None:
        name, key = wiring.case_sensor.voltmeter, "wiring.case_sensor.voltmeter"
        yield from _role(file, name, "voltmeter", key)
        settings = file.instruments.get(name)
        if isinstance(settings, VoltmeterSettings) and settings.resistance_accuracy is None:
            yield (
                key,
                f"{name} states no resistance_accuracy; expected one such as {{of_reading: 0.01 %, floor: 4 mohm}}",
            )
        for channel, wires in wiring.channels.items():
            for pin in ("detector", "reference"):
                wired = getattr(wires, pin)
                if wired is not None and wired.voltmeter == name:
                    yield (
                        key,
                        f"{name} reads {pin} of channel {channel} already; a case sensor has a voltmeter of its own",
                    )


def _channel(file: BenchFile, wires: ChannelWiring, key: str) -> Iterator[Found]:
    yield from _role(file, wires.input.source, "source", f"{key}.input.source")
    yield from _path(file, wires.input.path, f"{key}.input.path")
    yield from _second_source(file, wires, f"{key}.input")
    yield from _role(file, wires.output.power_meter, "power meter", f"{key}.output.power_meter")
    yield from _path(file, wires.output.path, f"{key}.output.path")
    if wires.output.analyser is not None:
        yield from _role(file, wires.output.analyser, "analyser", f"{key}.output.analyser")
        if wires.output.analyser_path is None:
            yield f"{key}.output", "has an analyser but no analyser_path; expected the name of a path"
    if wires.output.analyser_path is not None:
        yield from _path(file, wires.output.analyser_path, f"{key}.output.analyser_path")
        if wires.output.analyser is None:
            yield f"{key}.output", "has an analyser_path but no analyser; expected the name of an instrument"
    yield from _pins(file, wires, key)
    for pin in ("detector", "reference"):
        wired = getattr(wires, pin)
        if wired is not None:
            yield from _role(file, wired.voltmeter, "voltmeter", f"{key}.{pin}.voltmeter")
    if wires.detector is not None and wires.detector == wires.reference:
        yield (
            f"{key}.reference.voltmeter",
            f"{wires.detector.voltmeter} reads the detector; the reference needs another",
        )
    if wires.position is not None:
        yield from _role(file, wires.position.switch, "switch", f"{key}.position.switch")
    if wires.network is not None:
        yield from _network(file, wires.network, f"{key}.network")


def _second_source(file: BenchFile, wires: ChannelWiring, key: str) -> Iterator[Found]:
    """A source of its own, with a path of its own."""
    name, path = wires.input.second_source, wires.input.second_path
    if name is not None:
        yield from _role(file, name, "source", f"{key}.second_source")
        if name == wires.input.source:
            yield f"{key}.second_source", f"{name} is the first source already; two tones need two sources"
        if path is None:
            yield key, "has a second_source but no second_path; expected the name of a path, the combiner's loss in it"
    if path is not None:
        yield from _path(file, path, f"{key}.second_path")
        if name is None:
            yield key, "has a second_path but no second_source; expected the name of an instrument"


def _network(file: BenchFile, network: NetworkWiring, key: str) -> Iterator[Found]:
    yield from _role(file, network.analyser, "network analyser", f"{key}.analyser")
    settings = file.instruments.get(network.analyser)
    for name in ("input_path", "output_path"):
        path = getattr(network, name)
        yield from _path(file, path, f"{key}.{name}")
        its = file.paths.get(path)
        if its is None or not isinstance(settings, NetworkAnalyserSettings):
            continue
        # A fixed loss states its band here; those of tables are known when they are read.
        low_hz, high_hz = its.frequency_min_hz or 0.0, its.frequency_max_hz or float("inf")
        if not (low_hz < settings.frequency_max_hz and settings.frequency_min_hz < high_hz):
            band = f"{format_quantity(settings.frequency_min_hz, 'Hz')} to {format_quantity(settings.frequency_max_hz, 'Hz')}"
            yield f"{key}.{name}", f"{path} and {network.analyser} ({band}) have no frequency in common"
    if network.input_path == network.output_path:
        yield f"{key}.output_path", f"{network.input_path} leads to the input; the output needs another"
    if network.position is not None:
        yield from _role(file, network.position.switch, "switch", f"{key}.position.switch")


def _networks(file: BenchFile) -> Iterator[Found]:
    """Routes that connect a network analyser to one channel connect it to no other."""
    positions: dict[tuple[str, str, frozenset[int]], str] = {}
    for channel, wires in file.wiring.channels.items():
        network = wires.network
        key = dotted(("wiring", "channels", channel, "network"))
        position = None if network is None else network.position or wires.position
        if network is None or position is None:
            continue
        where = network.analyser, position.switch, frozenset(position.close)
        if where in positions:
            yield f"{key}.position", f"connects channel {positions[where]} too; the routes of channels differ"
        positions.setdefault(where, channel)


def _pins(file: BenchFile, wires: ChannelWiring, key: str) -> Iterator[Found]:
    """Every output once; shares of all drains or of none, and 100 % in all."""
    seen: dict[tuple[str, int], str] = {}
    for name, pins in (("drain", wires.drains), ("gate", wires.gates)):
        listed = isinstance(getattr(wires, f"{name}_pins"), tuple)
        if not pins:
            yield f"{key}.{name}", "is an empty list; expected {supply: NAME, channel: NUMBER}, or a list of these"
        for index, pin in enumerate(pins):
            where = f"{key}.{name}[{index}]" if listed else f"{key}.{name}"
            yield from _pin(file, pin, where)
            other = seen.setdefault((pin.supply, pin.channel), name)
            if other != name or any((pin.supply, pin.channel) == (one.supply, one.channel) for one in pins[:index]):
                yield where, f"output {pin.channel} of {pin.supply} feeds the {other}; the {name} needs another"
    shares = [pin.share_percent for pin in wires.drains]
    stated = [share for share in shares if share is not None]
    if stated and (len(stated) < len(shares) or abs(sum(stated) - 100.0) > 1e-6):
        said = ", ".join("none" if share is None else f"{share:g} %" for share in shares)
        yield f"{key}.drain", f"shares are {said}; expected one for every drain, 100 % in all, or none"


def _pin(file: BenchFile, pin: SupplyPin, key: str) -> Iterator[Found]:
    yield from _role(file, pin.supply, "supply", f"{key}.supply")
    settings = file.instruments.get(pin.supply)
    if isinstance(settings, SupplySettings) and pin.channel not in settings.channels:
        known = ", ".join(str(number) for number in settings.channels)
        yield f"{key}.channel", f"{pin.supply} has no output {pin.channel}; it has {known}"


def _role(file: BenchFile, name: str, role: str, key: str) -> Iterator[Found]:
    settings: InstrumentSettings | None = file.instruments.get(name)
    if settings is None:
        fitting = [known for known, its in file.instruments.items() if its.role == role]
        yield (
            key,
            unknown(name, fitting, "instrument") if fitting else f"{name!r} is not among instruments; none has the role {role}",
        )
    elif settings.role != role:
        yield key, f"{name} has the role {settings.role}; expected an instrument with the role {role}"


def _path(file: BenchFile, name: str, key: str) -> Iterator[Found]:
    if name not in file.paths:
        yield key, unknown(name, list(file.paths), "path")
