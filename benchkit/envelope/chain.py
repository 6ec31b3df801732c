"""One channel's RF chain as the bench file states it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

from benchkit.bench.model import AnalyserSettings, NetworkAnalyserSettings, PowerMeterSettings, SourceSettings, SwitchSettings
from benchkit.bench.paths import LossPath
from benchkit.envelope.interval import Interval
from benchkit.envelope.margins import Findings, in_bench
from benchkit.envelope.rf_levels import RfTruths

__all__ = ["Chain", "Tap", "chain_of", "second_chain"]


@dataclass(frozen=True)
class Tap:
    """What else is connected to the device's output while it is measured, beside the power meter."""

    name: str
    role: str
    input_max_dbm: float
    path: LossPath
    power_max_dbm: float
    saturation_dbm: float | None


@dataclass(frozen=True)
class Chain:
    """Instruments and paths, with what they stand."""

    channel: str
    source_name: str
    source: SourceSettings
    input_path: LossPath
    input_power_max_dbm: float
    switch_name: str | None
    switch: SwitchSettings | None
    output_path: LossPath
    output_power_max_dbm: float
    meter_name: str
    meter: PowerMeterSettings
    taps: tuple[Tap, ...]
    truths: RfTruths

    @property
    def paths(self) -> tuple[LossPath, ...]:
        return (self.input_path, self.output_path, *(tap.path for tap in self.taps))


def chain_of(channel: str, findings: Findings) -> Chain | None:
    """The chain; None, with a mistake, when a rating is missing without which nothing can be proved of it."""
    bench = findings.bench
    wiring = bench.file.wiring.channels[channel]
    instruments, paths = bench.file.instruments, bench.file.paths
    source, meter = instruments[wiring.input.source], instruments[wiring.output.power_meter]
    switch = None if wiring.position is None else instruments[wiring.position.switch]
    assert isinstance(source, SourceSettings), "load_bench checks roles"
    assert isinstance(meter, PowerMeterSettings), "load_bench checks roles"
    assert switch is None or isinstance(switch, SwitchSettings), "load_bench checks roles"
    if not _states_overshoot(wiring.input.source, source, findings):
        return None
    limits = findings.sequence.file.limits
    return Chain(
        channel=channel,
        source_name=wiring.input.source,
        source=source,
        input_path=bench.paths[wiring.input.path],
        input_power_max_dbm=paths[wiring.input.path].power_max_dbm,
        switch_name=None if wiring.position is None else wiring.position.switch,
        switch=switch,
        output_path=bench.paths[wiring.output.path],
        output_power_max_dbm=paths[wiring.output.path].power_max_dbm,
        meter_name=wiring.output.power_meter,
        meter=meter,
        taps=tuple(_taps(channel, findings)),
        truths=RfTruths(
            source_error=_error(source),
            input_saturation_dbm=paths[wiring.input.path].saturated_power_max_dbm,
            gain=Interval.at_most(limits.gain_max_db),
            saturation_dbm=limits.saturated_power_max_dbm,
            output_saturation_dbm=paths[wiring.output.path].saturated_power_max_dbm,
        ),
    )


def second_chain(first: Chain, findings: Findings) -> Chain | None:
    """The same channel driven by its second source, which is wired; None, with a mistake, as chain_of."""
    bench = findings.bench
    wiring = bench.file.wiring.channels[first.channel].input
    name, path_name = wiring.second_source, wiring.second_path
    assert name is not None, "the caller has looked"
    assert path_name is not None, "load_bench wants both or none"
    source, path = bench.file.instruments[name], bench.file.paths[path_name]
    assert isinstance(source, SourceSettings), "load_bench checks roles"
    if not _states_overshoot(name, source, findings):
        return None
    truths = replace(first.truths, source_error=_error(source), input_saturation_dbm=path.saturated_power_max_dbm)
    return replace(
        first, source_name=name, source=source, input_path=bench.paths[path_name], input_power_max_dbm=path.power_max_dbm,
        truths=truths,
    )  # fmt: skip


def _states_overshoot(name: str, source: SourceSettings, findings: Findings) -> bool:
    """The model has a default; that it is 0 dB is not for us to assume."""
    if "level_overshoot_db" in source.model_fields_set:
        return True
    findings.refuse(
        in_bench(f"instruments.{name}.level_overshoot"),
        "missing; how far the level goes too high while it settles, such as 0.3 dB; if it is known never to, write 0 dB",
    )
    return False


def _error(source: SourceSettings) -> Interval:
    return Interval.between(-source.level_accuracy_db, source.level_accuracy_db + source.level_overshoot_db)


def _taps(channel: str, findings: Findings) -> Iterator[Tap]:
    """Both sorts of analyser; a network analyser only if no other position of the switch is what connects it."""
    bench = findings.bench
    wiring = bench.file.wiring.channels[channel]
    wired = [(wiring.output.analyser, wiring.output.analyser_path)]
    if wiring.network is not None and wiring.network.position in (None, wiring.position):
        wired.append((wiring.network.analyser, wiring.network.output_path))
    for name, path_name in wired:
        if name is None or path_name is None:
            continue
        settings, path = bench.file.instruments[name], bench.file.paths[path_name]
        assert isinstance(settings, (AnalyserSettings, NetworkAnalyserSettings)), "load_bench checks roles"
        yield Tap(
            name, settings.role, settings.input_max_dbm, bench.paths[path_name], path.power_max_dbm, path.saturated_power_max_dbm
        )
