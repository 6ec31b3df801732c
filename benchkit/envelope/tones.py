"""
Two tones at once, held against every limit and rating on their way.

Their powers add to 3 dB more than one tone, their voltages to 6 dB more at the peak of the envelope they make (equal tones; exact
sums are taken here). A part does not average over an envelope, nor does a mixer: it is the peak that is held against every limit
behind the combiner.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchkit.bench.model import AnalyserSettings
from benchkit.bench.paths import LossPath
from benchkit.envelope.chain import Chain, chain_of, second_chain
from benchkit.envelope.interval import Interval
from benchkit.envelope.margins import Check, Findings, Point, in_bench, in_sequence
from benchkit.envelope.rf import ChainProof
from benchkit.envelope.rf_levels import peak_of, rf_levels, through
from benchkit.envelope.rf_walls import SourceReach
from benchkit.envelope.stretches import EXACT_LADDERS, Stretch, ascends
from benchkit.measurements.base import MeasurementBlock, TwoTones
from benchkit.plan.plan import Plan
from benchkit.quantities.format import format_quantity

__all__ = ["SPACING_BANDWIDTHS", "prove_tones"]

# A tone seen through the filter of its product's line must be gone there: analogue filters are 60 dB down at some 7 bandwidths
# (shape factor 15), digital ones sooner. Common practice, no source.
SPACING_BANDWIDTHS = 10.0
_NOTE = "peak of two tones"


def prove_tones(plan: Plan, findings: Findings) -> list[SourceReach]:
    """
    Every two-tone measurement on every channel.

    Returns:
        For each source, channel and measurement, what is needed of it and how little the path may take off.
    """
    reaches: list[SourceReach] = []
    for index, block in enumerate(plan.measurements):
        asked = block.two_tones()
        if asked is None:
            continue
        if not ascends(tuple(asked.levels_dbm)):
            findings.refuse(
                in_sequence(f"measurements[{index}].drive"),
                "the levels of a ladder ascend, so that RF never comes on at its highest; these do not",
            )
            continue
        if not _fits_filter(asked, index, findings):
            continue
        for channel in plan.channels:
            pair = _pair(channel, findings)
            if pair is not None and _covered(pair, asked, index, channel, findings) and _stated(pair, asked, index, findings):
                reaches += _levels(pair, asked, index, block, findings)
                _settings(asked, index, channel, findings)
    return reaches


def _fits_filter(asked: TwoTones, index: int, findings: Findings) -> bool:
    narrowest_hz = min(asked.spacings_hz)
    if narrowest_hz >= SPACING_BANDWIDTHS * asked.bandwidth_hz:
        return True
    findings.refuse(
        in_sequence(f"measurements[{index}].spacing"),
        f"{format_quantity(narrowest_hz, 'Hz', 6)} is less than {SPACING_BANDWIDTHS:g} times the resolution bandwidth, "
        f"{format_quantity(asked.bandwidth_hz, 'Hz', 6)} "
        f"({findings.cite(in_sequence(f'measurements[{index}].resolution_bandwidth'))}): the tones would be read where their "
        "products are; ask for a wider spacing or a narrower bandwidth",
    )
    return False


def _pair(channel: str, findings: Findings) -> tuple[Chain, Chain] | None:
    """Both sources' chains; None, with a mistake at the line where something is missing."""
    bench = findings.bench
    wiring = bench.file.wiring.channels[channel]
    known = True
    if wiring.input.second_source is None or wiring.input.second_path is None:
        known = False
        findings.refuse(
            in_bench(f"wiring.channels.{channel}.input"),
            f"{findings.sequence.path.name} asks for two tones, and no second source is wired to channel {channel}; expected "
            "second_source: the name of a source, and second_path: the name of a path, the combiner's loss in it",
        )
    if wiring.output.analyser is None or wiring.output.analyser_path is None:
        known = False
        findings.refuse(
            in_bench(f"wiring.channels.{channel}.output"),
            f"{findings.sequence.path.name} asks for two tones, and no spectrum analyser is wired to channel {channel}; expected "
            "analyser: the name of an analyser, and analyser_path: the name of a path",
        )
    first = chain_of(channel, findings)
    if not known or first is None:
        return None
    second = second_chain(first, findings)
    return None if second is None else (first, second)


def _covered(pair: tuple[Chain, Chain], asked: TwoTones, index: int, channel: str, findings: Findings) -> bool:
    """Sources, analyser and path tables cover every line that is driven or read: nothing is extrapolated."""
    lines = [
        asked.lines_hz(frequency_hz, spacing_hz)
        for frequency_hz in (min(asked.frequencies_hz), max(asked.frequencies_hz))
        for spacing_hz in asked.spacings_hz
    ]
    tones = [[line["lower tone"] for line in lines], [line["upper tone"] for line in lines]]
    read = [hz for line in lines for hz in line.values()]
    bench, at = findings.bench, in_sequence(f"measurements[{index}].frequency")
    output = bench.file.wiring.channels[channel].output
    assert output.analyser is not None, "refused before"
    assert output.analyser_path is not None, "refused before"
    analyser = bench.file.instruments[output.analyser]
    assert isinstance(analyser, AnalyserSettings), "load_bench checks roles"
    fits = True

    def refuse(what: str, used: list[float], band: tuple[float, float], cite: str, advice: str) -> None:
        nonlocal fits
        if band[0] <= min(used) <= max(used) <= band[1]:
            return
        fits = False
        worst_hz = min(used) if min(used) < band[0] else max(used)
        findings.refuse(
            at,
            f"{what} at {format_quantity(worst_hz, 'Hz', 10)} is outside {_band(band)} "
            f"({findings.cite(in_bench(cite))}); {advice}",
        )

    ask, table = "ask for less", "tables are never extrapolated: measure the path further, or ask for less"
    for chain, used, name in zip(pair, tones, ("lower tone", "upper tone"), strict=True):
        source = chain.source
        refuse(
            f"the {name}", used, (source.frequency_min_hz, source.frequency_max_hz),
            f"instruments.{chain.source_name}.{_end(used, source.frequency_min_hz)}", ask,
        )  # fmt: skip
        refuse(f"the {name}", used, _of(chain.input_path), f"paths.{chain.input_path.name}.loss", table)
    refuse(
        "a line that is read", read, (analyser.frequency_min_hz, analyser.frequency_max_hz),
        f"instruments.{output.analyser}.{_end(read, analyser.frequency_min_hz)}", ask,
    )  # fmt: skip
    refuse("a line that is read", read, _of(bench.paths[output.analyser_path]), f"paths.{output.analyser_path}.loss", table)
    # Connected, whether it is read or not: what arrives there must be known.
    both = tones[0] + tones[1]
    for path in (pair[0].output_path, *(tap.path for tap in pair[0].taps)):
        refuse("a tone", both, _of(path), f"paths.{path.name}.loss", table)
    return fits


def _stated(pair: tuple[Chain, Chain], asked: TwoTones, index: int, findings: Findings) -> bool:
    """A path with gain is an amplifier: how much can leave it is part of the proof; what it makes of tones is its own."""
    low_hz = asked.lines_hz(min(asked.frequencies_hz), max(asked.spacings_hz))["lower tone"]
    high_hz = asked.lines_hz(max(asked.frequencies_hz), max(asked.spacings_hz))["upper tone"]
    stated = True
    for path in dict.fromkeys((pair[0].input_path, pair[1].input_path, pair[0].output_path, *(tap.path for tap in pair[0].taps))):
        gain_db = -path.minimum_loss_db(low_hz, high_hz)
        if gain_db <= 0:
            continue
        findings.warn(f"path {path.name} has gain: intermodulation of its own amplifier is not told from the device's")
        saturation_dbm = findings.bench.file.paths[path.name].saturated_power_max_dbm
        if saturation_dbm is None:
            stated = False
            findings.refuse(
                in_bench(f"paths.{path.name}.saturated_power_max"),
                f"missing; path {path.name} has gain (a negative loss), up to {gain_db:.4g} dB: how much can leave it, whatever "
                "enters? Expected the saturated output of its amplifier at the end of the path, such as 27 dBm",
            )
        elif path in (pair[0].input_path, pair[1].input_path) and max(asked.levels_dbm) > saturation_dbm:
            findings.refuse(
                findings.end_of(f"measurements[{index}].drive", highest=True),
                f"{max(asked.levels_dbm):g} dBm at the device is more than path {path.name} can give, {saturation_dbm:g} dBm "
                f"({findings.cite(in_bench(f'paths.{path.name}.saturated_power_max'))}); ask for less",
            )
    return stated


def _levels(
    pair: tuple[Chain, Chain], asked: TwoTones, index: int, block: MeasurementBlock, findings: Findings
) -> list[SourceReach]:
    reaches = []
    centres = np.array(asked.frequencies_hz, dtype=np.float64)
    is_exact = centres.size <= EXACT_LADDERS
    if not is_exact:
        centres = np.array([centres.min(), centres.max()])
    drive = Interval.between(min(asked.levels_dbm), max(asked.levels_dbm))
    if is_exact:
        drive = Interval.between(np.full(centres.size, drive.low), np.full(centres.size, drive.high))
    for spacing_hz in asked.spacings_hz:
        tones = [Stretch(centres + side * spacing_hz / 2, drive, is_exact) for side in (-1, 1)]
        alone = [
            rf_levels(drive, tone.loss(chain.input_path), tone.loss(chain.output_path), chain.truths)
            for chain, tone in zip(pair, tones, strict=True)
        ]
        peak = peak_of(alone[0].device_input, alone[1].device_input)
        for chain, tone, own in zip(pair, tones, alone, strict=True):
            device_output = (peak + chain.truths.gain).capped(chain.truths.saturation_dbm)
            at_meter = through(device_output, tone.loss(chain.output_path).true, chain.truths.output_saturation_dbm)
            both = replace(own, device_input=peak, device_output=device_output, at_meter=at_meter)
            proof = ChainProof(chain, index, block, tone, findings, levels=both, note=_NOTE, reads_meter=False)
            reaches.append(proof.prove())
            _analyser_range(chain, tone, device_output, block, findings)
    return reaches


def _analyser_range(chain: Chain, tone: Stretch, output: Interval, block: MeasurementBlock, findings: Findings) -> None:
    """What is read must be within what the analyser reads."""
    for tap in chain.taps:
        settings = findings.bench.file.instruments[tap.name]
        if not isinstance(settings, AnalyserSettings):
            continue
        worst_dbm = through(output, tone.loss(tap.path).true, tap.saturation_dbm).highest
        key = in_bench(f"instruments.{tap.name}.range_max")
        point = Point(note=_NOTE, measurement=block.title, channel=chain.channel, level_dbm=tone.drive.highest)
        check = Check(
            f"range of {tap.name}, channel {chain.channel}", "level", worst_dbm, settings.range_max_dbm, "dBm", key, point
        )
        findings.hold(check, key, f"{worst_dbm:.2f} dBm can arrive here ({point})")


def _settings(asked: TwoTones, index: int, channel: str, findings: Findings) -> None:
    """The attenuator has what is asked of it, the step besides."""
    name = findings.bench.file.wiring.channels[channel].output.analyser
    assert name is not None, "refused before"
    settings = findings.bench.file.instruments[name]
    assert isinstance(settings, AnalyserSettings), "load_bench checks roles"
    step_db, most_db = settings.attenuation_step_db, settings.attenuation_max_db
    wanted = [("attenuation", asked.attenuation_db, asked.attenuation_db)]
    if asked.check_step_db is not None:
        wanted.append(("check_step", asked.check_step_db, asked.attenuation_db + asked.check_step_db))
    for key, value_db, total_db in wanted:
        at = in_sequence(f"measurements[{index}].{key}")
        if step_db is not None and abs(value_db / step_db - round(value_db / step_db)) > 1e-6:
            cited = findings.cite(in_bench(f"instruments.{name}.attenuation_step"))
            findings.refuse(at, f"{value_db:g} dB is not a multiple of {name}'s attenuator step, {step_db:g} dB ({cited})")
        if most_db is not None and total_db > most_db:
            cited = findings.cite(in_bench(f"instruments.{name}.attenuation_max"))
            findings.refuse(at, f"{total_db:g} dB in all is more than {name}'s attenuator has, {most_db:g} dB ({cited})")
    if settings.intercept_dbm is None and asked.check_step_db is None:
        findings.warn(
            f"{name}: its own intermodulation is neither stated (instruments.{name}.intercept) nor checked "
            f"(measurements[{index}].check_step): what it adds to the device's is not known"
        )


def _of(path: LossPath) -> tuple[float, float]:
    return path.frequency_min_hz, path.frequency_max_hz


def _end(used: list[float], low_hz: float) -> str:
    return "frequency_min" if min(used) < low_hz else "frequency_max"


def _band(band: tuple[float, float]) -> str:
    return f"{format_quantity(band[0], 'Hz', 10)} to {format_quantity(band[1], 'Hz', 10)}"
