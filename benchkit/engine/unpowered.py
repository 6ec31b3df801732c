"""
The unpowered device at one channel, as a kind of measurement sees it: network analyser and readings, nothing that powers it.

That it is unpowered is read, not remembered: every supply output that is wired to the part reads off before anything is swept, no
drain holds a voltage, and none draws a current while it is. What does shows that something powers the part after all.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from collections.abc import Sequence as Seq

from benchkit.bench.model import BenchFile
from benchkit.bench.open import OpenBench
from benchkit.clock import Clock
from benchkit.engine.all_off import require_supplies_off
from benchkit.engine.biasing import VOLTAGE_AGREES_V, BiasReading, as_one
from benchkit.engine.facilities import Facilities
from benchkit.engine.hookup import hook_up
from benchkit.engine.pins import Pin, PinReader
from benchkit.engine.thermometer import Thermometer, case_temperature_degc
from benchkit.engine.uncertainty import Accuracies
from benchkit.errors import InstrumentError, LimitError, MisuseError
from benchkit.measurements.base import NetworkStation, Reading, ToneStation, TwoTones
from benchkit.measurements.spectrum_base import SpectrumStation
from benchkit.sequence.load import Sequence

__all__ = ["UnpoweredPart", "UnpoweredStation"]


class UnpoweredPart:
    """
    What tells that the part is unpowered.

    Args:
        channel: The one that is measured; its drains and gates are what read() gives.
        channels: All of the plan's: one part has them all.

    Attributes:
        last: What was read last of drain and gate; None before the first.
    """

    def __init__(
        self, bench: OpenBench, channel: str, channels: Seq[str], sequence: Sequence, clock: Clock
    ) -> None:
        self.hookup = hook_up(bench, channel)
        self.last: BiasReading | None = None
        self.values: list[tuple[float, float]] = []
        every = [hook_up(bench, one) for one in channels]
        pins = (pin for one in every for pin in (*one.drains, *one.gates, *one.held_gates))
        self._outputs = tuple({(pin.supply.name, pin.output): pin for pin in pins}.values())
        drains = (pin for one in every for pin in one.drains)
        self._drains = tuple({(pin.supply.name, pin.output): pin for pin in drains}.values())
        self._own = (*self.hookup.drains, *self.hookup.gates)
        self._reader = PinReader((*self._own, *self._drains))
        self._bench, self._sequence, self._clock = bench, sequence, clock

    def require_off(self) -> None:
        """
        Every output reads off, and what it held has gone.

        Raises:
            InstrumentError: One does not.
            LimitError: A current flows.
        """
        require_supplies_off(self._bench, "the device is measured unpowered: it does not do as told, or somebody switched it on")
        bias_s = self._sequence.file.bias.settling_time_s
        self._clock.sleep(max(bias_s, *(pin.supply.settling_time_s for pin in self._outputs)))
        self.read()

    def read(self) -> BiasReading:
        """
        Drain and gate of the channel as their supplies read them, outputs off; drains of all channels must carry nothing.

        Raises:
            InstrumentError: A drain holds a voltage.
            LimitError: A drain, or the gate, carries a current.
        """
        self.arm()
        return self.collect()

    def arm(self) -> None:
        self._reader.arm()

    def collect(self) -> BiasReading:
        """What arm() began; as read()."""
        found = self._reader.collect()
        count, drain_count = len(self._own), len(self.hookup.drains)
        self.values = found[:count]
        self.last = as_one(self.values[:drain_count], self.values[drain_count:])
        for pin, (voltage_v, current_a) in zip(self._drains, found[count:], strict=True):
            self._require_nothing(pin, voltage_v, current_a)
        self._require_below(
            f"gate current of the unpowered device, channel {self.hookup.channel}", self.last.gate_current_a,
            self._sequence.file.limits.gate_current_max_a, "limits.gate_current_max",
        )  # fmt: skip
        return self.last

    def _require_nothing(self, pin: Pin, voltage_v: float, current_a: float) -> None:
        self._require_below(
            f"drain current of the unpowered device, {pin.label}", current_a, self._sequence.file.bias.pinch_off_current_max_a,
            "bias.pinch_off_current_max",
        )  # fmt: skip
        if not abs(voltage_v) <= VOLTAGE_AGREES_V:
            raise InstrumentError(
                pin.supply.name,
                f"output {pin.output} ({pin.label}) reads {voltage_v:.4g} V with its output off, more than {VOLTAGE_AGREES_V:g} "
                "V: the device is not unpowered. Look at what else is connected to its drain before you try again",
            )

    def _require_below(self, what: str, current_a: float, limit_a: float, key: str) -> None:
        if not abs(current_a) <= limit_a:
            raise LimitError(what, current_a, limit_a, "A", f"{self._sequence.path.name}: {key}")


class UnpoweredStation:
    """
    Implements benchkit.measurements.Station for the unpowered device: nothing drives it but the network analyser's own sweep.

    Attributes:
        present, is_refused, pins: As those of ChannelStation.
    """

    def __init__(
        self, part: UnpoweredPart, bench: BenchFile, clock: Clock, thermometer: Thermometer, facilities: Facilities
    ) -> None:
        self.present: Reading = {}
        self.is_refused = False
        self.pins: list[tuple[str, float, float]] = []
        self.part, self.hookup = part, part.hookup
        self._clock, self._thermometer, self._facilities = clock, thermometer, facilities
        self._accuracies = Accuracies(bench, part.hookup)
        self._where = f"channel {part.hookup.channel}"

    def store(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        """One row into a stream of the kind's own."""
        self._facilities.store(stream, row)

    def network(self) -> NetworkStation:
        """The network analyser as wired to this channel; the device stays unpowered."""
        return self._facilities.network(self.hookup, None, self.part)

    def rest(self) -> None:
        """Nothing to be done: no source is ever on here."""

    def tune(self, frequency_hz: float) -> None:
        raise self._misuse("a source")

    def drive(self, level_dbm: float) -> None:
        raise self._misuse("a source")

    def tones(self, asked: TwoTones) -> ToneStation:
        raise self._misuse("two tones")

    def spectrum(self) -> SpectrumStation:
        raise self._misuse("a spectrum analyser")

    def _misuse(self, what: str) -> MisuseError:
        return MisuseError(f"{self._where}: {what} was asked for, and the device is measured unpowered here")

    def read(self) -> Reading:
        """
        Supplies with their outputs off, case and chamber: a point without drive.

        Raises:
            LimitError, InstrumentError: The device is not unpowered; `present` keeps the reading.
        """
        part, case = self.part, self.hookup.case
        self.present, self.pins, self.is_refused = {}, [], True
        time_s = self._clock.now()
        part.arm()
        if case is not None:
            case.arm()
        self._thermometer.arm_if_due()
        try:
            found = part.collect()
        finally:
            if part.last is not None:
                self.present = {"time_s": time_s, "frequency_hz": math.nan, "drive_set_dbm": math.nan, **vars(part.last)}
        reading = self.present
        case_ohm = math.nan if case is None else case.collect()
        reading["case_ohm"] = case_ohm
        reading["case_degc"] = case_degc = math.nan if case is None else case_temperature_degc(case, case_ohm)
        self._thermometer.collect(case_degc)
        reading["chamber_degc"] = self._thermometer.air_degc
        drains = part.values[: len(self.hookup.drains)]
        if len(part.values) > 2:
            pins = (*self.hookup.drains, *self.hookup.gates)
            self.pins = [(pin.label, *value) for pin, value in zip(pins, part.values, strict=True)]
        reading["u_drain_voltage_v"], reading["u_drain_current_a"] = self._accuracies.u_drains(drains)
        reading["u_gate_voltage_v"] = self._accuracies.u_gate_voltage_v(found.gate_voltage_v)
        self.is_refused = False
        return reading
