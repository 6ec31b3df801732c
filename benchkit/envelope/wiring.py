"""What the sequence asks for is on the bench at all: channels, roles, switch positions."""

from __future__ import annotations

from benchkit.envelope.margins import Findings, in_bench, in_sequence
from benchkit.plan.plan import Plan

__all__ = ["prove_wiring"]


def prove_wiring(plan: Plan, findings: Findings) -> None:
    """Every channel is wired; instruments shared by channels have a switch between; a temperature has a chamber."""
    bench = findings.bench.file
    for channel in plan.channels:
        if channel not in bench.wiring.channels:
            known = ", ".join(bench.wiring.channels)
            findings.refuse(
                in_bench("wiring.channels"),
                f"channel {channel}, which {findings.sequence.path.name} measures, is not wired on this bench (wired: {known})",
            )
    sequence = findings.sequence.file
    temperature = sequence.conditions.temperature
    if temperature is not None:
        if bench.wiring.chamber is None:
            findings.refuse(
                in_bench("wiring"),
                f"{findings.sequence.path.name} sets temperatures, but no chamber is wired; expected wiring.chamber: the name of "
                "an instrument with role: chamber",
            )
        if temperature.soak.drift_max_k_per_min is not None and bench.wiring.case_sensor is None:
            findings.refuse(
                in_sequence("conditions.temperature.soak.drift_max"),
                "needs a case sensor, and the bench file has none (wiring.case_sensor); wire one, or leave drift_max out",
            )
    _prove_shared(plan, findings)
    for name, settings in bench.instruments.items():
        for flag in ("without_level_limit", "without_temperature_limits"):
            if getattr(settings, flag, False):
                findings.warn(f"{name}: declared {flag.replace('_', ' ')}; nothing in the instrument guards it")
        for number, ratings in getattr(settings, "channels", {}).items():
            for flag in ("without_over_voltage", "without_over_current"):
                if getattr(ratings, flag):
                    findings.warn(f"{name} output {number}: declared {flag.replace('_', ' ')} protection")


def _prove_shared(plan: Plan, findings: Findings) -> None:
    """One source or meter that serves several channels needs a switch position for each."""
    channels = findings.bench.file.wiring.channels
    wired = [channel for channel in plan.channels if channel in channels]
    for channel in wired:
        wiring = channels[channel]
        shared = [
            other
            for other in channels
            if other != channel
            and (
                channels[other].input.source == wiring.input.source
                or channels[other].output.power_meter == wiring.output.power_meter
            )
        ]
        if shared and wiring.position is None:
            findings.refuse(
                in_bench(f"wiring.channels.{channel}"),
                f"shares source or power meter with channel {', '.join(shared)} but has no switch position; expected "
                "position: {switch: NAME, close: [ROUTES]}",
            )
    for channel in wired:
        _prove_shared_drain(channel, findings)


def _prove_shared_drain(channel: str, findings: Findings) -> None:
    """Channels on one drain output conduct together, unless the gate of the one that is not measured is held at pinch-off."""
    channels = findings.bench.file.wiring.channels
    own_drains = {(pin.supply, pin.channel) for pin in channels[channel].drains}
    own_gates = {(pin.supply, pin.channel) for pin in channels[channel].gates}
    for other, wiring in channels.items():
        if other == channel or own_drains.isdisjoint((pin.supply, pin.channel) for pin in wiring.drains):
            continue
        for pin in wiring.gates:
            if (pin.supply, pin.channel) in own_gates:
                later = max(channel, other, key=list(channels).index)
                findings.refuse(
                    in_bench(f"wiring.channels.{later}.gate"),
                    f"output {pin.channel} of {pin.supply} is the gate of channels {channel} and {other}, which share a drain "
                    "output too: one cannot be held at pinch-off while the other is measured; give each gate its own output",
                    cause="shared drain and gate",
                )
