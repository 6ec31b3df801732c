"""What must be known of a chain before its levels can be: every band covers what is asked for, every gain says where it ends."""

from __future__ import annotations

from benchkit.envelope.chain import Chain
from benchkit.envelope.margins import Findings, block_key, in_bench, in_sequence
from benchkit.quantities.format import format_quantity

__all__ = ["prove_bands", "prove_saturation"]

Span = tuple[float, float]


def prove_bands(chain: Chain, index: int, span_hz: Span, findings: Findings) -> bool:
    """Source, meter and every path table cover every frequency asked for: nothing is extrapolated."""
    low_hz, high_hz = span_hz
    covered = True
    at = in_sequence(f"{block_key(index)}.frequency")
    # An analyser that is connected but not read need not be tuned there; its path's loss is needed all the same.
    for name, settings in ((chain.source_name, chain.source), (chain.meter_name, chain.meter)):
        band = (settings.frequency_min_hz, settings.frequency_max_hz)
        if not band[0] <= low_hz <= high_hz <= band[1]:
            covered = False
            end = "frequency_min" if low_hz < band[0] else "frequency_max"
            findings.refuse(
                at,
                f"{_ghz(span_hz)} is outside {name}'s range, {_ghz(band)} "
                f"({findings.cite(in_bench(f'instruments.{name}.{end}'))})",
            )
    for path in chain.paths:
        if not path.covers(low_hz, high_hz):
            covered = False
            findings.refuse(
                at,
                f"{_ghz(span_hz)} is outside the table of path {path.name}, "
                f"{_ghz((path.frequency_min_hz, path.frequency_max_hz))} "
                f"({findings.cite(in_bench(f'paths.{path.name}.loss'))}); tables are never extrapolated: measure the path "
                "further, or ask for less",
            )
    return covered


def prove_saturation(chain: Chain, index: int, span_hz: Span, drive_dbm: Span, findings: Findings) -> bool:
    """
    A path with gain is an amplifier. How much it can give is then part of the proof, and the drive asked of an input path
    must be within it: what an amplifier does not give, the engine would still book as given.
    """
    stated = True
    for path in chain.paths:
        gain_db = -path.minimum_loss_db(*span_hz)
        saturation_dbm = findings.bench.file.paths[path.name].saturated_power_max_dbm
        if saturation_dbm is None and gain_db > 0:
            stated = False
            findings.refuse(
                in_bench(f"paths.{path.name}.saturated_power_max"),
                f"missing; path {path.name} has gain (a negative loss), up to {gain_db:.4g} dB: how much can leave it, whatever "
                "enters? Expected the saturated output of its amplifier at the end of the path, such as 27 dBm",
            )
        elif saturation_dbm is not None and path is chain.input_path and drive_dbm[1] > saturation_dbm:
            findings.refuse(
                findings.end_of(f"{block_key(index)}.drive", highest=True),
                f"{drive_dbm[1]:g} dBm at the device is more than path {path.name} can give, {saturation_dbm:g} dBm "
                f"({findings.cite(in_bench(f'paths.{path.name}.saturated_power_max'))}); ask for less",
            )
    return stated


def _ghz(span_hz: Span) -> str:
    low, high = (format_quantity(hz, "Hz", 10) for hz in span_hz)
    return low if low == high else f"{low} to {high}"
