"""What must be wired, covered and stated before power readings before bias can be held against anything."""

from __future__ import annotations

from benchkit.envelope.chain import Chain, chain_of, second_chain
from benchkit.envelope.margins import Findings, block_key, in_bench, in_sequence
from benchkit.measurements.power_before import Feed, PathRole, PowerBefore
from benchkit.quantities.format import format_quantity

__all__ = ["chains", "covers", "stated", "wired"]


def wired(channel: str, index: int, asked: PowerBefore, findings: Findings) -> bool:
    """Every path that is asked for, each with a name of its own: two in one table's file would be one path twice."""
    wiring = findings.bench.file.wiring.channels[channel]
    ways: dict[PathRole, tuple[str, str | None]] = {
        "input": ("input.path", wiring.input.path),
        "output": ("output.path", wiring.output.path),
        "second input": ("input.second_path", wiring.input.second_path),
        "analyser": ("output.analyser_path", wiring.output.analyser_path),
    }
    measures = asked.plane == "source"
    at, fits = in_sequence(f"{block_key(index)}.{'paths' if measures else 'second_source'}"), True
    for role in asked.paths:
        key, name = ways[role]
        lies = f"{findings.bench.path.name}: wiring.channels.{channel}.{key}"
        if name is None:
            fits = False
            findings.refuse(at, f"asks for {role}, and channel {channel} has none wired ({lies}); wire it, or leave it out")
            continue
        earlier = [one for one in asked.paths[: asked.paths.index(role)] if ways[one][1] == name]
        if earlier and measures:
            fits = False
            findings.refuse(
                at,
                f"asks for {earlier[0]} and {role}, and channel {channel} has path {name} for both ({lies}); give each a path of "
                "its own in the bench file: one table cannot be both",
            )
    return fits


def chains(channel: str, asked: PowerBefore, findings: Findings) -> list[tuple[Feed, Chain]]:
    """For each source that is on: from it through the fixture. Of neither, with a mistake, where a rating is missing."""
    first = chain_of(channel, findings)
    if first is None:
        return []
    found: list[tuple[Feed, Chain]] = [("source", first)] if asked.uses("source") else []
    if asked.uses("second source"):
        second = second_chain(first, findings)
        if second is None:
            return []
        found.append(("second source", second))
    return found


def covers(chain: Chain, index: int, asked: PowerBefore, findings: Findings) -> bool:
    """Source, meter and every table: a path's loss is asked of the table even where it is measured anew."""
    low_hz, high_hz = min(asked.frequencies_hz), max(asked.frequencies_hz)
    at, fits = in_sequence(f"{block_key(index)}.frequency"), True
    span = f"{format_quantity(low_hz, 'Hz', 10)} to {format_quantity(high_hz, 'Hz', 10)}"
    for name, settings in ((chain.source_name, chain.source), (chain.meter_name, chain.meter)):
        if not settings.frequency_min_hz <= low_hz <= high_hz <= settings.frequency_max_hz:
            fits = False
            end = "frequency_min" if low_hz < settings.frequency_min_hz else "frequency_max"
            cited = findings.cite(in_bench(f"instruments.{name}.{end}"))
            findings.refuse(at, f"{span} is outside {name}'s range ({cited})")
    for path in chain.paths:
        if not path.covers(low_hz, high_hz):
            fits = False
            cited = findings.cite(in_bench(f"paths.{path.name}.loss"))
            findings.refuse(
                at,
                f"{span} is outside the table of path {path.name} ({cited}); ask for less, or give the path a rough fixed loss "
                "in the table's place while it is measured anew, such as loss: 4 dB, uncertainty: 4 dB",
            )
    return fits


def stated(chain: Chain, asked: PowerBefore, findings: Findings) -> bool:
    """A path with gain is an amplifier: how much can leave it is part of the proof."""
    is_stated = True
    for path in chain.paths:
        gain_db = -path.minimum_loss_db(min(asked.frequencies_hz), max(asked.frequencies_hz))
        if gain_db > 0 and findings.bench.file.paths[path.name].saturated_power_max_dbm is None:
            is_stated = False
            findings.refuse(
                in_bench(f"paths.{path.name}.saturated_power_max"),
                f"missing; path {path.name} has gain (a negative loss), up to {gain_db:.4g} dB: how much can leave it, whatever "
                "enters? Expected the saturated output of its amplifier at the end of the path, such as 27 dBm",
            )
    return is_stated
