"""The instruments that reach one channel of the device, by pin."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.bench.model import DrainPin, SupplyPin
from benchkit.bench.open import OpenBench
from benchkit.bench.paths import LossPath
from benchkit.engine.pins import Pin
from benchkit.errors import InstrumentError
from benchkit.roles import Analyser, PowerMeter, Source, Supply, Switch, Voltmeter

__all__ = ["Hookup", "hook_up"]


@dataclass(frozen=True)
class Hookup:
    """
    One channel as wired. None: not wired, or not needed by this plan.

    Attributes:
        drains: In the order they are switched on.
        held_gates: Gates of other channels that share a drain output with this one: at pinch-off while this one is biased.
        sharing: Those channels.
    """

    channel: str
    drains: tuple[Pin, ...]
    gates: tuple[Pin, ...]
    held_gates: tuple[Pin, ...]
    sharing: tuple[str, ...]
    source: Source | None
    meter: PowerMeter | None
    input_path: LossPath
    output_path: LossPath
    detector: Voltmeter | None
    reference: Voltmeter | None
    case: Voltmeter | None
    switch: Switch | None
    routes: tuple[int, ...]
    second_source: Source | None = None
    second_path: LossPath | None = None
    analyser: Analyser | None = None
    analyser_path: LossPath | None = None

    @property
    def supplies(self) -> tuple[Supply, ...]:
        """Every supply that this channel's bias uses, once, gates' first."""
        pins = (*self.gates, *self.held_gates, *self.drains)
        return tuple({id(pin.supply): pin.supply for pin in pins}.values())


def hook_up(bench: OpenBench, channel: str) -> Hookup:
    """
    The open instruments of `channel`.

    Raises:
        InstrumentError: It shares its drain with a channel whose gate cannot be held apart from its own.
    """
    wiring = bench.bench.file.wiring.channels[channel]
    case = bench.bench.file.wiring.case_sensor

    def voltmeter(name: str | None) -> Voltmeter | None:
        return None if name is None else bench.voltmeter(name)

    drains, gates = _pins(bench, channel, "drain", wiring.drains), _pins(bench, channel, "gate", wiring.gates)
    sharing, held_gates = _neighbours(bench, channel, drains, gates)
    return Hookup(
        channel=channel,
        drains=drains,
        gates=gates,
        held_gates=held_gates,
        sharing=sharing,
        source=bench.source(wiring.input.source) if wiring.input.source in bench.instruments else None,
        meter=bench.power_meter(wiring.output.power_meter) if wiring.output.power_meter in bench.instruments else None,
        input_path=bench.bench.paths[wiring.input.path],
        output_path=bench.bench.paths[wiring.output.path],
        detector=voltmeter(wiring.detector.voltmeter if wiring.detector else None),
        reference=voltmeter(wiring.reference.voltmeter if wiring.reference else None),
        case=voltmeter(case.voltmeter if case else None),
        switch=bench.switch(wiring.position.switch) if wiring.position else None,
        routes=wiring.position.close if wiring.position else (),
        second_source=bench.source(second) if (second := wiring.input.second_source) in bench.instruments and second else None,
        second_path=None if wiring.input.second_path is None else bench.bench.paths[wiring.input.second_path],
        analyser=bench.analyser(reads) if (reads := wiring.output.analyser) in bench.instruments and reads else None,
        analyser_path=None if wiring.output.analyser_path is None else bench.bench.paths[wiring.output.analyser_path],
    )


def _pins(bench: OpenBench, channel: str, name: str, wired: Sequence[SupplyPin]) -> tuple[Pin, ...]:
    found = []
    for index, pin in enumerate(wired):
        share, voltage_v = None, None
        if isinstance(pin, DrainPin):
            voltage_v = pin.voltage_v
            share = 1.0 if len(wired) == 1 else None
            if pin.share_percent is not None:
                share = pin.share_percent / 100
        label = f"{name} {channel}" if len(wired) == 1 else f"{name} {index + 1} of {channel}"
        found.append(Pin(bench.supply(pin.supply), pin.channel, label, share, voltage_v))
    return tuple(found)


def _neighbours(
    bench: OpenBench, channel: str, drains: Sequence[Pin], gates: Sequence[Pin]
) -> tuple[tuple[str, ...], tuple[Pin, ...]]:
    """Channels that the same drain outputs feed, whether the plan measures them or not: they conduct like this one."""
    own = {(pin.supply.name, pin.output) for pin in drains}
    own_gates = {(pin.supply.name, pin.output) for pin in gates}
    sharing: list[str] = []
    held: list[Pin] = []
    for other, wiring in bench.bench.file.wiring.channels.items():
        if other == channel or own.isdisjoint((pin.supply, pin.channel) for pin in wiring.drains):
            continue
        for pin in wiring.gates:
            if (pin.supply, pin.channel) in own_gates:
                raise InstrumentError(
                    pin.supply,
                    f"output {pin.channel} is the gate of channels {channel} and {other}, which share a drain output too: one "
                    f"cannot be held at pinch-off while the other is measured. The part is unpowered. Give each gate an output "
                    f"of its own ({bench.bench.path.name}: wiring.channels.{other}.gate)",
                )
            if pin.supply not in bench.instruments:
                raise InstrumentError(
                    pin.supply,
                    f"feeds the gate of channel {other}, which shares a drain output with channel {channel}, and is not open; "
                    "without it that channel would conduct. The part is unpowered",
                )
        sharing.append(other)
        held.extend(_pins(bench, other, "gate", wiring.gates))
    return tuple(sharing), tuple({(pin.supply.name, pin.output): pin for pin in held}.values())
