"""
Notices abuse: compares what truly happens with what device, paths and instruments stand, and writes it into the ledger.

Each abuse is noted when it begins, once, and again only after it had ended.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sim_instruments.device_file import AbsoluteMaxima
from sim_instruments.ledger import Abuse, Ledger
from sim_instruments.physics.channel import DeviceChannel, Operating
from sim_instruments.physics.device import milliwatts
from sim_instruments.physics.switch import SwitchPort

__all__ = ["Ratings", "Watch"]

# A drain above this is on.
DRAIN_ON_V = 0.5
HOT_SWITCHING_DBM = 0.0


@dataclass(frozen=True)
class Ratings:
    """What the bench stands. [dBm]"""

    paths_dbm: Mapping[str, float]
    meters_dbm: Mapping[str, float]


class Watch:
    """Everything that is watched; one of these per world."""

    def __init__(self, ledger: Ledger, maxima: AbsoluteMaxima, ratings: Ratings, channels: Sequence[DeviceChannel]) -> None:
        self._ledger = ledger
        self._maxima = maxima
        self._ratings = ratings
        self._channels = tuple(channels)
        self._going_on: set[tuple[str, str]] = set()
        self._drain_is_on = dict.fromkeys((channel.name for channel in channels), False)

    @property
    def going_on(self) -> frozenset[tuple[str, str]]:
        """What has begun and not ended: where, and which kind of abuse."""
        return frozenset(self._going_on)

    def note(self, t: float, what: str, detail: str) -> None:
        """Something that has no duration. [s]"""
        self._ledger.note(t, what, detail)

    def see_order(self, begin_s: float, end_s: float) -> None:
        """Order of gate and drain between two moments within which no setting changed. [s]"""
        pinched_v = self._maxima.pinched_below_v
        for channel in self._channels:
            name, drain, gate = channel.name, channel.drain, channel.gate
            comes_on_s = drain.rises_above(DRAIN_ON_V, begin_s)
            if not self._drain_is_on[name] and comes_on_s <= end_s:
                self._drain_is_on[name] = True
                gate_v = gate.open_voltage_v(comes_on_s)
                if gate_v > pinched_v:
                    self._going_on.add((name, Abuse.GATE_REMOVED))  # one abuse, not two
                    self.note(
                        comes_on_s,
                        Abuse.DRAIN_WITHOUT_GATE,
                        f"channel {name}: drain passes {DRAIN_ON_V:g} V with the gate at {gate_v:.3g} V, above {pinched_v:g} V",
                    )
            if self._drain_is_on[name]:
                opens_s = math.inf if gate.is_on else gate.rises_above(pinched_v, begin_s)
                drain_v = drain.open_voltage_v(opens_s) if opens_s <= end_s else 0.0
                self._see(
                    opens_s,
                    (name, Abuse.GATE_REMOVED),
                    opens_s <= end_s and drain_v > DRAIN_ON_V,
                    f"channel {name}: gate output is off and the gate above {pinched_v:g} V with the drain at {drain_v:.3g} V",
                )
            self._drain_is_on[name] = drain.open_voltage_v(end_s) >= DRAIN_ON_V
            if not self._drain_is_on[name]:
                self._going_on.discard((name, Abuse.GATE_REMOVED))

    def see(self, t: float, operating: Sequence[Operating]) -> None:
        """Operating points at one moment. [s]"""
        arriving: dict[str, float] = {}
        for channel, point in zip(self._channels, operating, strict=True):
            self._see_pins(t, channel.name, point)
            if channel.is_connected():
                self._see_paths(t, channel, point, arriving)
            if channel.network is not None:
                self._see_network(t, channel, point, arriving)
        for meter, power_mw in arriving.items():
            level = 10.0 * math.log10(power_mw) if power_mw > 0.0 else -math.inf
            self._compare(t, meter, Abuse.METER_POWER, "input", level, self._ratings.meters_dbm[meter], "dBm")

    def see_switching(self, t: float, switch: SwitchPort, routes: frozenset[int], operating: Sequence[Operating]) -> None:
        """Just before the routes of `switch` become `routes`. [s]"""
        if routes == switch.routes:
            return
        changing = routes ^ switch.routes
        for channel, point in zip(self._channels, operating, strict=True):
            levels = [point.response.output_dbm]
            if channel.switch is switch and channel.closes & changing:
                levels.append(channel.source.level_dbm(t))
                if channel.second is not None:
                    levels.append(channel.second.source.level_dbm(t))
            network = channel.network
            if network is not None and network.switch is switch and network.closes & changing:
                levels.append(network.port.level_dbm(t))
            if len(levels) == 1:
                continue
            level_dbm = max(levels)
            if level_dbm > HOT_SWITCHING_DBM:
                self.note(
                    t,
                    Abuse.HOT_SWITCHING,
                    f"{switch.name}: routes of channel {channel.name} change with {level_dbm:.1f} dBm on its contacts",
                )

    def see_sweep(
        self, t: float, channel: str, points: Sequence[Operating], from_port_2_dbm: float, analyser: str, arriving_dbm: float
    ) -> None:
        """
        The worst moments of a network analyser's sweep, what drives the device's output then, and what arrives at port 2.
        [s, dBm]
        """
        for point in points:
            self._see_pins(t, channel, point)
            where, limit_dbm = f"channel {channel} output", self._maxima.rf_unbiased_dbm
            self._see(
                t,
                (where, Abuse.RF_UNBIASED),
                self._is_unbiased(point) and from_port_2_dbm > limit_dbm,
                "{}: {:.1f} dBm from port 2 with the drain at {:.3g} V and the gate at {:.3g} V",
                where,
                from_port_2_dbm,
                point.drain_v,
                point.gate_v,
            )
        self._compare(t, analyser, Abuse.METER_POWER, "input", arriving_dbm, self._ratings.meters_dbm[analyser], "dBm")

    def see_hands(self, t: float, channel: DeviceChannel, point: Operating, what: str) -> None:
        """Just before hands connect something else in place of what is in the fixture. [s]"""
        drives = [source for source in channel.feeding() if source.is_on]
        if point.drain_v > DRAIN_ON_V or drives:
            on = [f"the drain at {point.drain_v:.3g} V"] if point.drain_v > DRAIN_ON_V else []
            on += [f"{source.name} on at {source.level_dbm(t):.1f} dBm" for source in drives]
            self.note(t, Abuse.HOT_CONNECTING, f"channel {channel.name}: {what} is connected with {' and '.join(on)}")

    def _is_unbiased(self, point: Operating) -> bool:
        return point.drain_v < self._maxima.unbiased_below_v or point.gate_v < self._maxima.pinched_below_v

    def _see_pins(self, t: float, name: str, point: Operating) -> None:
        maxima, response = self._maxima, point.response
        input_dbm = point.input_dbm
        if point.tones is not None:
            # Rated for a carrier; of several tones it is the peak of their envelope that a gate must stand.
            input_dbm = point.tones.peak_input_dbm
        unbiased = self._is_unbiased(point)
        if (
            not self._going_on
            and point.drain_v <= maxima.drain_voltage_v
            and response.drain_current_a <= maxima.drain_current_a
            and maxima.gate_voltage_min_v <= point.gate_v <= maxima.gate_voltage_max_v
            and abs(response.gate_current_a) <= maxima.gate_current_a
            and response.dissipation_w <= maxima.dissipation_w
            and input_dbm <= (maxima.rf_unbiased_dbm if unbiased else maxima.input_power_dbm)
            and response.output_dbm <= maxima.output_power_dbm
            and point.channel_degc <= maxima.channel_temperature_degc
        ):
            return  # nothing is wrong and nothing was: nearly always
        where = f"channel {name}"
        self._compare(t, where, Abuse.DRAIN_VOLTAGE, "drain voltage", point.drain_v, maxima.drain_voltage_v, "V")
        self._compare(t, where, Abuse.DRAIN_CURRENT, "drain current", response.drain_current_a, maxima.drain_current_a, "A")
        low_v, high_v = maxima.gate_voltage_min_v, maxima.gate_voltage_max_v
        self._see(
            t,
            (where, Abuse.GATE_VOLTAGE),
            not low_v <= point.gate_v <= high_v,
            "{}: gate voltage {:.4g} V is outside {:g} V to {:g} V",
            where,
            point.gate_v,
            low_v,
            high_v,
        )
        self._compare(t, where, Abuse.GATE_CURRENT, "gate current", abs(response.gate_current_a), maxima.gate_current_a, "A")
        self._compare(t, where, Abuse.DISSIPATION, "dissipation", response.dissipation_w, maxima.dissipation_w, "W")
        self._compare(t, where, Abuse.INPUT_POWER, "input power", input_dbm, maxima.input_power_dbm, "dBm")
        self._compare(t, where, Abuse.OUTPUT_POWER, "output power", response.output_dbm, maxima.output_power_dbm, "dBm")
        self._compare(
            t,
            where,
            Abuse.CHANNEL_TEMPERATURE,
            "channel temperature",
            point.channel_degc,
            maxima.channel_temperature_degc,
            "degC",
        )
        self._see(
            t,
            (where, Abuse.RF_UNBIASED),
            unbiased and point.input_dbm > maxima.rf_unbiased_dbm,
            "{}: {:.1f} dBm at the input with the drain at {:.3g} V and the gate at {:.3g} V",
            where,
            point.input_dbm,
            point.drain_v,
            point.gate_v,
        )

    def _see_paths(self, t: float, channel: DeviceChannel, point: Operating, arriving: dict[str, float]) -> None:
        output_dbm = point.response.output_dbm
        leaving_dbm = channel.source.level_dbm(t)
        self._compare_path(t, channel.input_path.name, leaving_dbm)
        if channel.second is not None:
            second_dbm = channel.second.source.level_dbm(t)
            self._compare_path(t, channel.second.path.name, second_dbm)
            leaving_dbm = max(leaving_dbm, second_dbm)
        for meter, path in channel.meters.items():
            self._compare_path(t, path.name, output_dbm)
            power_mw = 0.0
            if output_dbm > -math.inf and not channel.is_cable_off(meter):
                power_mw = milliwatts(path.through(output_dbm, point.frequency_hz))
            if meter == channel.power_meter and (lines := channel.at_sensor(t)) is not None:
                power_mw = sum(milliwatts(level_dbm) for _, level_dbm in lines)
            arriving[meter] = arriving.get(meter, 0.0) + power_mw
        if channel.switch is not None:
            carried = max(leaving_dbm, output_dbm)
            self._compare(t, channel.switch.name, Abuse.SWITCH_POWER, "level", carried, channel.switch.power_max_dbm, "dBm")

    def _see_network(self, t: float, channel: DeviceChannel, point: Operating, arriving: dict[str, float]) -> None:
        """The network analyser at rest: port 1 drives at one frequency, port 2 takes what comes."""
        network = channel.network
        if network is None or not network.is_connected():
            return
        leaving_dbm, output_dbm = network.port.level_dbm(t), point.response.output_dbm
        self._compare_path(t, network.input_path.path.name, leaving_dbm)
        self._compare_path(t, network.output_path.path.name, output_dbm)
        power_mw = 0.0
        if output_dbm > -math.inf:
            power_mw = milliwatts(output_dbm - network.output_path.path.loss_db(point.frequency_hz))
        arriving[network.name] = arriving.get(network.name, 0.0) + power_mw
        if network.switch is not None:
            carried = max(leaving_dbm, output_dbm)
            self._compare(t, network.switch.name, Abuse.SWITCH_POWER, "level", carried, network.switch.power_max_dbm, "dBm")

    def _compare_path(self, t: float, path: str, level_dbm: float) -> None:
        limit_dbm = self._ratings.paths_dbm[path]
        if level_dbm > limit_dbm or self._going_on:  # else nothing is wrong and nothing was
            self._compare(t, path, Abuse.PATH_POWER, "level", level_dbm, limit_dbm, "dBm")

    def _compare(self, t: float, where: str, what: str, quantity: str, value: float, limit: float, unit: str) -> None:
        key = (where, what)
        if value > limit:
            if key not in self._going_on:
                self._going_on.add(key)
                self.note(t, what, f"{where}: {quantity} {value:.4g} {unit} is above {limit:g} {unit}")
        elif key in self._going_on:
            self._going_on.remove(key)

    def _see(self, t: float, key: tuple[str, str], is_wrong: bool, detail: str, *values: object) -> None:
        if is_wrong:
            if key not in self._going_on:
                self._going_on.add(key)
                self.note(t, key[1], detail.format(*values) if values else detail)
        else:
            self._going_on.discard(key)
