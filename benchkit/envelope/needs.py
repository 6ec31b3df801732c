"""Which instruments a plan uses, and in which role."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from benchkit.bench.model import BenchFile, SupplyPin
from benchkit.plan.plan import Plan
from benchkit.sequence.model import SequenceFile

__all__ = ["Need", "needs"]


@dataclass(frozen=True)
class Need:
    """One instrument that the plan uses. `purpose` says for which pin or plane."""

    instrument: str
    role: str
    purpose: str


def needs(plan: Plan, sequence: SequenceFile, bench: BenchFile) -> tuple[Need, ...]:
    """Every instrument that the plan uses, with all its purposes, in the order of the bench file."""
    purposes: dict[str, list[str]] = {}

    def use(name: str, purpose: str) -> None:
        purposes.setdefault(name, []).append(purpose)

    needed = frozenset().union(*(block.needs for _, block in plan.asked()))
    before = [asked for _, block in plan.asked() if (asked := block.power_before()) is not None]
    for channel in plan.channels:
        wiring = bench.wiring.channels.get(channel)
        if wiring is None:
            continue
        second = wiring.input.second_source
        for pin in wiring.drains:
            use(pin.supply, f"drain {channel} (output {pin.channel})")
        for gate in wiring.gates:
            use(gate.supply, f"gate {channel} (output {gate.channel})")
        for other, held in _sharing(bench, channel):
            use(held.supply, f"gate {other} (output {held.channel}) at pinch-off, for it shares a drain output with {channel}")
        if "power" in needed:
            use(wiring.input.source, f"input {channel}")
            use(wiring.output.power_meter, f"output {channel}")
        if "power before" in needed:
            use(wiring.input.source, f"paths of {channel}, before bias")
            use(wiring.output.power_meter, f"paths of {channel}, before bias")
            if second is not None and any(asked.uses("second source") for asked in before):
                use(second, f"its path to {channel}, before bias")
        if "tones" in needed:
            use(wiring.input.source, f"first of two tones at input {channel}")
            if second is not None:
                use(second, f"second of two tones at input {channel}")
            if wiring.output.analyser is not None:
                use(wiring.output.analyser, f"two-tone products at output {channel}")
        if "spectrum" in needed and wiring.output.analyser is not None:
            use(wiring.output.analyser, f"spectrum at output {channel}")
        if "network" in needed and wiring.network is not None:
            use(wiring.network.analyser, f"S-parameters of {channel}")
            if wiring.network.position is not None:
                use(wiring.network.position.switch, f"connects the network analyser to {channel}")
        if wiring.detector is not None:
            use(wiring.detector.voltmeter, f"detector {channel}")
        if wiring.reference is not None:
            use(wiring.reference.voltmeter, f"detector reference {channel}")
        if wiring.position is not None:
            use(wiring.position.switch, f"connects channel {channel}")
    if sequence.conditions.temperature is not None and bench.wiring.chamber is not None:
        use(bench.wiring.chamber, "temperature")
    if bench.wiring.case_sensor is not None:
        use(bench.wiring.case_sensor.voltmeter, "case temperature")
    return tuple(
        Need(name, settings.role, ", ".join(purposes[name]))
        for name, settings in bench.instruments.items()
        if name in purposes
    )


def _sharing(bench: BenchFile, channel: str) -> Iterator[tuple[str, SupplyPin]]:
    """Gates of other channels that a drain output of this one feeds too: they must be held off meanwhile."""
    own = {(pin.supply, pin.channel) for pin in bench.wiring.channels[channel].drains}
    for other, wiring in bench.wiring.channels.items():
        if other != channel and not own.isdisjoint((pin.supply, pin.channel) for pin in wiring.drains):
            for gate in wiring.gates:
                yield other, gate
