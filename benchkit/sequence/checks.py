"""
What a sequence file must fulfil beyond its keys and units. Only what the file alone can tell; whether the bench can do
it without harm is the proof's part (benchkit.envelope).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from benchkit.errors import Mistake, QuantityError
from benchkit.files.document import Document
from benchkit.files.wording import unknown
from benchkit.measurements.base import MeasurementBlock
from benchkit.measurements.registry import kinds
from benchkit.quantities.format import format_quantity
from benchkit.quantities.parse import parse_quantity
from benchkit.results.result import PARAMETERS, Parameter
from benchkit.sequence.model import Expectation, SequenceFile, SoakSettings, TemperatureSettings

__all__ = ["check_sequence"]

Found = tuple[str, str]


def check_sequence(file: SequenceFile, document: Document, files: Mapping[str, bytes] | None = None) -> list[Mistake]:
    """
    Every mistake of this sort, in the order of the file.

    Args:
        files: What the kinds name, by name; None: not at hand, and not looked at.
    """
    found = [
        *_channels(file),
        *_limits(file),
        *_bias(file),
        *_conditions(file),
        *_measurements(file, files),
        *_before_drive(file),
        *_expectations(file),
    ]
    mistakes = [document.mistake(key, message) for key, message in found]
    return sorted(mistakes, key=lambda mistake: mistake.line or 0)


# A slope through fewer readings is noise.
SOAK_READINGS_MIN = 6

# As wide as the record's column of channels.
CHANNEL_BYTES = 8


def _channels(file: SequenceFile) -> Iterator[Found]:
    known = file.device.channels
    for key, channels in (("device.channels", known), ("conditions.channels", file.conditions.channels)):
        if channels is None:
            continue
        if not channels:
            yield key, "is an empty list; leave it out for all of the device's channels"
        for index, channel in enumerate(channels):
            if not channel.strip() or not channel.isprintable() or len(channel.encode()) > CHANNEL_BYTES:
                wanted = f"expected 1 to {CHANNEL_BYTES} letters or digits, such as A"
                yield f"{key}[{index}]", f"{channel[:40]!r} is no channel name; {wanted}"
            elif channel in channels[:index]:
                yield f"{key}[{index}]", f"channel {channel} is there twice"
            elif channel not in known:
                yield f"{key}[{index}]", unknown(channel, known, "channel")


def _limits(file: SequenceFile) -> Iterator[Found]:
    limits = file.limits
    yield from _ordered("limits.gate_voltage_max", limits.gate_voltage_min_v, limits.gate_voltage_max_v, "V", "gate_voltage_min")
    if limits.rf_unpowered_max_dbm is not None and limits.rf_unpowered_max_dbm > limits.input_power_max_dbm:
        yield (
            "limits.rf_unpowered_max",
            f"{limits.rf_unpowered_max_dbm:g} dBm is above input_power_max, {limits.input_power_max_dbm:g} dBm: without bias the "
            "part stands no more than with it",
        )
    unpowered = [(index, block) for index, block in enumerate(file.measurements) if block.is_unpowered]
    if unpowered and limits.rf_unpowered_max_dbm is None:
        index, block = unpowered[0]
        yield (
            "limits",
            f"rf_unpowered_max is missing, and {block.title!r} (measurements[{index}]) sends RF into the unpowered device; "
            "write what it stands without bias, at its input and at its output, as its maker says, such as rf_unpowered_max: "
            "-30 dBm",
        )
    yield from _ordered(
        "limits.temperature_max", limits.temperature_min_degc, limits.temperature_max_degc, "degC", "temperature_min"
    )


def _bias(file: SequenceFile) -> Iterator[Found]:
    bias, limits = file.bias, file.limits
    low, high = limits.gate_voltage_min_v, limits.gate_voltage_max_v
    for key, value in (("pinch_off", bias.pinch_off_v), ("gate_from", bias.gate_from_v), ("gate_to", bias.gate_to_v)):
        if not low <= value <= high:
            yield (
                f"bias.{key}",
                f"{_v(value)} is outside limits.gate_voltage_min to gate_voltage_max, {_v(low)} to {_v(high)}",
            )
    yield from _ordered("bias.gate_to", bias.gate_from_v, bias.gate_to_v, "V", "gate_from")
    # The channel closes towards negative gate voltages in both technologies (n-channel); a depletion-mode part conducts
    # at 0 V, so that what holds it off is below zero, and the search must start on the far side of nothing at all.
    if not bias.pinch_off_v < bias.gate_from_v:
        yield "bias.pinch_off", f"{_v(bias.pinch_off_v)} is not below gate_from, {_v(bias.gate_from_v)}"
    if file.device.technology == "depletion" and not bias.pinch_off_v < 0:
        yield (
            "bias.pinch_off",
            f"{_v(bias.pinch_off_v)} does not hold a depletion-mode device off; expected a negative voltage",
        )
    for key, value, bound_name, bound in (
        ("tolerance", bias.tolerance_a, "quiescent_current", bias.quiescent_current_a),
        ("pinch_off_current_max", bias.pinch_off_current_max_a, "quiescent_current", bias.quiescent_current_a),
        ("quiescent_current", bias.quiescent_current_a, "drain_current_limit", bias.drain_current_limit_a),
    ):
        if not value < bound:
            yield (
                f"bias.{key}",
                f"{format_quantity(value, 'A')} is not below bias.{bound_name}, {format_quantity(bound, 'A')}",
            )
    if bias.drain_current_limit_a > limits.drain_current_max_a:
        yield (
            "bias.drain_current_limit",
            f"{format_quantity(bias.drain_current_limit_a, 'A')} is above limits.drain_current_max, "
            f"{format_quantity(limits.drain_current_max_a, 'A')}",
        )


def _conditions(file: SequenceFile) -> Iterator[Found]:
    conditions, limits = file.conditions, file.limits
    supply = conditions.supply_voltage_v
    if supply.maximum > limits.drain_voltage_max_v:
        yield (
            "conditions.supply_voltage",
            f"{_v(supply.maximum)} is above limits.drain_voltage_max, {_v(limits.drain_voltage_max_v)}",
        )
    if not supply.minimum > 0:
        yield "conditions.supply_voltage", f"{_v(supply.minimum)} is not above 0 V"
    if conditions.temperature is None:
        return
    temperature, soak = conditions.temperature, conditions.temperature.soak
    low, high = limits.temperature_min_degc, limits.temperature_max_degc
    for key, value in (
        ("values", temperature.values_degc.minimum),
        ("values", temperature.values_degc.maximum),
        ("idle", temperature.idle_degc),
    ):
        if not low <= value <= high:
            yield (
                f"conditions.temperature.{key}",
                f"{_degc(value)} is outside limits.temperature_min to temperature_max, {_degc(low)} to {_degc(high)}",
            )
    if temperature.start_degc is not None and not low <= temperature.start_degc <= high:
        yield (
            "conditions.temperature.start",
            f"{_degc(temperature.start_degc)} is outside limits.temperature_min to temperature_max, {_degc(low)} to "
            f"{_degc(high)}",
        )
    yield from _order(temperature)
    yield from _warm(file)
    yield from _device_soak(file, soak)
    if temperature.lost is not None and temperature.lost.beyond_k < soak.tolerance_k:
        yield (
            "conditions.temperature.lost.beyond",
            f"{temperature.lost.beyond_k:g} K is below soak.tolerance, {soak.tolerance_k:g} K: a temperature that counts as "
            "reached would count as lost",
        )
    for key, seconds in (("in_tolerance_for", soak.in_tolerance_for_s), ("poll_every", soak.poll_every_s)):
        if not seconds < soak.at_most_s:
            yield (
                f"conditions.temperature.soak.{key}",
                f"{format_quantity(seconds, 's')} is not below at_most, {format_quantity(soak.at_most_s, 's')}: "
                "no soak could succeed",
            )


def _order(temperature: TemperatureSettings) -> Iterator[Found]:
    values = tuple(temperature.values_degc)
    if temperature.order == "shortest":
        # A return is from the first to the last; without it, each temperature is there once.
        once = values[:-1] if values[0] == values[-1] else values
        twice = [value for value in once if once.count(value) > 1]
        if twice:
            yield (
                "conditions.temperature.order",
                f"{_degc(twice[0])} is among the values more than once; shortest keeps a return only where it is the first and "
                "the last of them. Write the values in the order you want, and order: as written",
            )
    elif temperature.start_degc is not None:
        yield "conditions.temperature.start", "is for order: shortest only; leave it out, or let the order be chosen"


def _device_soak(file: SequenceFile, soak: SoakSettings) -> Iterator[Found]:
    device, key = soak.device, "conditions.temperature.soak.device"
    if device is None:
        return
    if device.quiescent_drift_max_a_per_min is None and device.gain_drift_max_db_per_min is None:
        yield key, "asks the device nothing; expected quiescent_drift_max, gain_drift_max, or both"
    if device.gain_drift_max_db_per_min is not None and file.sentinel is None:
        yield f"{key}.gain_drift_max", "is about the sentinel's gain, and the sequence has no sentinel:"
    if not device.over_s < soak.at_most_s:
        over, at_most = format_quantity(device.over_s, "s"), format_quantity(soak.at_most_s, "s")
        yield f"{key}.over", f"{over} is not below soak.at_most, {at_most}: no soak could succeed"
    if device.over_s < SOAK_READINGS_MIN * soak.poll_every_s:
        over, poll = format_quantity(device.over_s, "s"), format_quantity(soak.poll_every_s, "s")
        yield (
            f"{key}.over",
            f"{over} holds fewer than {SOAK_READINGS_MIN} readings, one every {poll} (soak.poll_every): their noise would "
            "count as drift",
        )


def _warm(file: SequenceFile) -> Iterator[Found]:
    temperature = file.conditions.temperature
    if temperature is None or temperature.warm_before_opening is None:
        return
    warm, key = temperature.warm_before_opening, "conditions.temperature.warm_before_opening"
    stated, room = warm.dew_point_degc is not None, (warm.ambient_degc, warm.humidity_percent)
    if stated == any(value is not None for value in room) or (not stated and None in room):
        yield key, "expected dew_point, or ambient and humidity (the dew point follows from both)"
        return
    try:
        wanted_degc = warm.warm_degc
    except ValueError as error:
        yield f"{key}.ambient", str(error)
        return
    if not wanted_degc <= temperature.idle_degc:
        yield (
            key,
            f"wants the case at {_degc(wanted_degc)}, and the chamber idles at {_degc(temperature.idle_degc)}; raise "
            "conditions.temperature.idle, or the case would never be warm",
        )


def _measurements(file: SequenceFile, files: Mapping[str, bytes] | None) -> Iterator[Found]:
    seen: dict[str, int] = {}
    for index, block in enumerate(file.measurements):
        if block.title in seen:
            yield (
                f"measurements[{index}]",
                f"is called {block.title!r} like measurements[{seen[block.title]}]; give it a name of its own",
            )
        seen.setdefault(block.title, index)
        for key, message in block.mistakes(files):
            yield f"measurements[{index}]" + (f".{key}" if key else ""), message


def _before_drive(file: SequenceFile) -> Iterator[Found]:
    """What must be known before the device is driven is looked at first, at every condition, and never dropped."""
    driven = [(index, block) for index, block in enumerate(file.measurements) if _drives(block)]
    for index, block in enumerate(file.measurements):
        if not block.before_drive:
            continue
        key = f"measurements[{index}]"
        earlier = [(at, one) for at, one in driven if at < index]
        if earlier:
            at, one = earlier[0]
            yield key, f"is to come before anything is driven, and {one.title!r} (measurements[{at}]) drives before; put it first"
        higher = [(at, one) for at, one in driven if one.priority > block.priority]
        if higher:
            at, one = higher[0]
            yield (
                f"{key}.priority",
                f"{block.priority} is below that of {one.title!r} (measurements[{at}]), {one.priority}: short of time, it would "
                "be dropped, and the device driven unchecked",
            )
        temperature = file.conditions.temperature
        device = None if temperature is None else temperature.soak.device
        if device is not None and device.gain_drift_max_db_per_min is not None:
            yield (
                "conditions.temperature.soak.device.gain_drift_max",
                f"drives the device while it soaks, before {block.title!r} ({key}) has looked at it; use quiescent_drift_max",
            )


def _drives(block: MeasurementBlock) -> bool:
    swept = block.network_sweep()
    # An unpowered device cannot oscillate.
    return block.drives or (swept is not None and swept.readings > 0 and not block.is_unpowered)


def _expectations(file: SequenceFile) -> Iterator[Found]:
    added = {parameter.name: parameter for block in file.measurements for parameter in block.parameters}
    known = {**PARAMETERS, **added}
    for index, expectation in enumerate(file.expectations):
        key = f"expectations[{index}]"
        parameter = known.get(expectation.parameter)
        if parameter is None:
            others = [kind for kind, block in kinds().items() if expectation.parameter in {one.name for one in block.parameters}]
            given = f"{expectation.parameter} is given by a measurement of kind {' or '.join(others)}, and there is none here"
            yield f"{key}.parameter", given if others else unknown(expectation.parameter, list(known), "parameter")
        else:
            yield from _bounds(expectation, parameter, key)
            yield from _qualifier(file, expectation, key)
        yield from _where(file, expectation, key)


def _qualifier(file: SequenceFile, expectation: Expectation, key: str) -> Iterator[Found]:
    """What no result is called would never be judged."""
    given = [found for block in file.measurements if (found := block.qualifiers(expectation.parameter)) is not None]
    names = list(dict.fromkeys(name for one in given for name in one))
    if given and not names:
        what = f"{expectation.parameter} is not reported by what these measurements ask for (their `report:` or `bias:`)"
        yield f"{key}.parameter", what
    # An expectation may leave out what a return to a condition adds.
    asked = expectation.qualifier
    plain = "" if asked.startswith("visit ") else asked.partition(", visit")[0]
    if asked and names and plain not in names:
        told = f"{asked!r} is no qualifier of {expectation.parameter}, which has none; leave it out"
        named = [name for name in names if name]
        yield f"{key}.qualifier", unknown(asked, named, f"qualifier of {expectation.parameter}") if named else told


def _bounds(expectation: Expectation, parameter: Parameter, key: str) -> Iterator[Found]:
    if expectation.min is None and expectation.max is None:
        yield key, "expects nothing; give it min or max, or both"
    values: dict[str, float] = {}
    for end, text in (("min", expectation.min), ("max", expectation.max)):
        if text is not None:
            try:
                values[end] = parse_quantity(text, parameter.unit)
            except QuantityError as error:
                yield f"{key}.{end}", str(error)
    if len(values) == 2 and values["min"] > values["max"]:
        yield f"{key}.max", f"{expectation.max} is below min, {expectation.min}"


def _where(file: SequenceFile, expectation: Expectation, key: str) -> Iterator[Found]:
    """An expectation about what is never visited would never be judged."""
    if expectation.temperature is not None:
        temperature = file.conditions.temperature
        visited = () if temperature is None else temperature.values_degc
        for value in expectation.temperature:
            if value not in visited:
                yield f"{key}.temperature", f"{_degc(value)} is not among conditions.temperature.values"
    if expectation.frequency is not None:
        spans = [span for block in file.measurements if (span := block.frequency_span_hz()) is not None]
        for value in expectation.frequency:
            if not any(low <= value <= high for low, high in spans):
                yield f"{key}.frequency", f"{format_quantity(value, 'Hz', 9)} is measured by none of the measurements"


def _ordered(key: str, low: float, high: float, unit: str, low_key: str) -> Iterator[Found]:
    if not low < high:
        yield key, f"{format_quantity(high, unit)} is not above {low_key}, {format_quantity(low, unit)}"


def _v(value: float) -> str:
    return format_quantity(value, "V")


def _degc(value: float) -> str:
    return format_quantity(value, "degC")
