"""The instruments that reach one channel of the device, by pin."""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.bench.open import OpenBench
from benchkit.bench.paths import LossPath
from benchkit.roles import PowerMeter, Source, Supply, Switch, Voltmeter

__all__ = ["Hookup", "hook_up"]


@dataclass(frozen=True)
class Hookup:
    """One channel as wired. None: not wired, or not needed by this plan."""

    channel: str
    drain: Supply
    drain_output: int
    gate: Supply
    gate_output: int
    source: Source | None
    meter: PowerMeter | None
    input_path: LossPath
    output_path: LossPath
    detector: Voltmeter | None
    reference: Voltmeter | None
    case: Voltmeter | None
    switch: Switch | None
    routes: tuple[int, ...]


def hook_up(bench: OpenBench, channel: str) -> Hookup:
    """The open instruments of `channel`."""
    wiring = bench.bench.file.wiring.channels[channel]
    case = bench.bench.file.wiring.case_sensor

    def voltmeter(name: str | None) -> Voltmeter | None:
        return None if name is None else bench.voltmeter(name)

    return Hookup(
        channel=channel,
        drain=bench.supply(wiring.drain.supply),
        drain_output=wiring.drain.channel,
        gate=bench.supply(wiring.gate.supply),
        gate_output=wiring.gate.channel,
        source=bench.source(wiring.input.source) if wiring.input.source in bench.instruments else None,
        meter=bench.power_meter(wiring.output.power_meter) if wiring.output.power_meter in bench.instruments else None,
        input_path=bench.bench.paths[wiring.input.path],
        output_path=bench.bench.paths[wiring.output.path],
        detector=voltmeter(wiring.detector.voltmeter if wiring.detector else None),
        reference=voltmeter(wiring.reference.voltmeter if wiring.reference else None),
        case=voltmeter(case.voltmeter if case else None),
        switch=bench.switch(wiring.position.switch) if wiring.position else None,
        routes=wiring.position.close if wiring.position else (),
    )
