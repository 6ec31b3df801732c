"""All faults of the twin by name, and from texts to faults in their places."""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from pathlib import Path

from benchkit.bench.load import Bench
from benchkit.bench.model import ChannelWiring
from benchkit.fault_text import FaultText, fault_mistake, parse_fault
from sim_instruments.faults.base import TwinFault
from sim_instruments.faults.chamber import ChamberOvershoot, ChamberRunaway, ChamberStuck, DoorOpen
from sim_instruments.faults.connections import PowerCycled, Reset, Restarts, Unplugged
from sim_instruments.faults.device import Dies, Drifts, Oscillates, PathLoose, ThermalRunaway
from sim_instruments.faults.drift import PathShifts, ZeroShifts
from sim_instruments.faults.fate import Fate, Planned, Whereabouts
from sim_instruments.faults.replies import Garbage, HalfAnswer, Late, NoNumber, Repeats, Silent
from sim_instruments.faults.source import Deaf, LevelJump, LevelRunaway
from sim_instruments.faults.supplies import CurrentLimit, GateLost, StuckOn

__all__ = ["FAULTS", "drills", "places", "read_faults"]

FAULTS: dict[str, type[TwinFault]] = {
    fault.NAME: fault
    for fault in (
        CurrentLimit, StuckOn, GateLost,
        LevelJump, LevelRunaway, Deaf,
        Garbage, NoNumber, Repeats, Silent, Late, HalfAnswer,
        Reset, Unplugged, PowerCycled, Restarts,
        ChamberStuck, ChamberOvershoot, ChamberRunaway, DoorOpen,
        PathLoose, Oscillates, Dies, Drifts, ThermalRunaway,
        PathShifts, ZeroShifts,
    )
}  # fmt: skip


def drills(bench: Bench) -> list[tuple[str, str, tuple[str, ...]]]:
    """
    What can be drilled on this bench: entry point of the group `benchkit.drills`.

    Returns:
        Name, what happens, and the instruments in which it can be, the usual one first; none: it cannot be on this bench.
    """
    found = places(bench)
    return [
        (name, fault.TELLS, tuple(dict.fromkeys(one for place in fault.PLACES for one in found.get(place, ()))))
        for name, fault in FAULTS.items()
    ]


def places(bench: Bench) -> dict[str, tuple[str, ...]]:
    """Instruments by the wiring's word for where they are; one instrument may be in several places."""
    found: dict[str, list[str]] = {}
    wiring = bench.file.wiring
    for channel in wiring.channels.values():
        for place, name in _of_channel(channel):
            found.setdefault(place, []).append(name)
    if wiring.case_sensor is not None:
        found["case"] = [wiring.case_sensor.voltmeter]
    if wiring.chamber is not None:
        found["chamber"] = [wiring.chamber]
    return {place: tuple(dict.fromkeys(names)) for place, names in found.items()}


def read_faults(
    texts: Sequence[str],
    bench: Bench,
    *,
    span_s: float | None = None,
    whereabouts: Whereabouts | None = None,
    account: Path | None = None,
) -> Fate:
    """
    Faults from their texts.

    Args:
        texts: NAME@WHEN or NAME:INSTRUMENT@WHEN each.
        bench: Where they will be.
        span_s: How long the run takes, for random moments; None: not known. [s]
        whereabouts: How far the run is; None: not known here, and no fault can wait for a point or a condition.
        account: File for what became of each.

    Raises:
        FileError: A text that is no fault, a name there is not, an instrument that cannot have it, or a moment that cannot
            be told here.
    """
    planned = [_planned(parse_fault(text).settled(span_s), bench, whereabouts is not None) for text in texts]
    return Fate(planned, whereabouts, account)


def _planned(text: FaultText, bench: Bench, knows_whereabouts: bool) -> Planned:
    kind = FAULTS.get(text.name)
    if kind is None:
        close = difflib.get_close_matches(text.name, FAULTS, n=1)
        hint = f"did you mean {close[0]}? " if close else ""
        raise fault_mistake(str(text), f"there is no fault {text.name!r}; {hint}there are {', '.join(FAULTS)}")
    if text.when.kind in ("point", "condition") and not knows_whereabouts:
        message = f"the run's {text.when.kind}s cannot be seen from here; say a time or a message, such as 12.5 s or message 812"
        raise fault_mistake(str(text), message)
    found = places(bench)
    fitting = tuple(dict.fromkeys(name for place in kind.PLACES for name in found.get(place, ())))
    if not fitting:
        raise fault_mistake(str(text), f"this bench has no {' or '.join(kind.PLACES)}, where it could be")
    if text.instrument and text.instrument not in fitting:
        raise fault_mistake(str(text), f"it cannot be in {text.instrument!r}; it can be in {', '.join(fitting)}")
    return Planned(text, kind(), text.instrument or fitting[0])


def _of_channel(channel: ChannelWiring) -> Iterator[tuple[str, str]]:
    yield "source", channel.input.source
    yield "power meter", channel.output.power_meter
    yield "drain", channel.drain.supply
    yield "gate", channel.gate.supply
    for pin in (channel.detector, channel.reference):
        if pin is not None:
            yield "detector", pin.voltmeter
    if channel.position is not None:
        yield "switch", channel.position.switch
    if channel.input.second_source is not None:
        yield "second source", channel.input.second_source
    if channel.output.analyser is not None:
        yield "spectrum analyser", channel.output.analyser
    if channel.network is not None:
        yield "network analyser", channel.network.analyser
