"""From an instrument of the bench file to a simulated one."""

from __future__ import annotations

from benchkit.bench.model import (
    AnalyserSettings,
    BenchFile,
    ChamberSettings,
    NetworkAnalyserSettings,
    PowerMeterSettings,
    SourceSettings,
    SupplySettings,
    VoltmeterSettings,
)
from sim_instruments.instruments.analyser import SimulatedAnalyser
from sim_instruments.instruments.chamber import SimulatedChamber
from sim_instruments.instruments.instrument import SimulatedInstrument
from sim_instruments.instruments.network_analyser import SimulatedNetworkAnalyser
from sim_instruments.instruments.options import (
    AnalyserOptions,
    ChamberOptions,
    NetworkAnalyserOptions,
    Options,
    OptionsT,
    PowerMeterOptions,
    SourceOptions,
    SupplyOptions,
    SwitchOptions,
    VoltmeterOptions,
    read_options,
)
from sim_instruments.instruments.power_meter import SimulatedPowerMeter
from sim_instruments.instruments.source import SimulatedSource
from sim_instruments.instruments.supply import SimulatedSupply
from sim_instruments.instruments.surroundings import Surroundings
from sim_instruments.instruments.switch import SimulatedSwitch
from sim_instruments.instruments.voltmeter import SimulatedVoltmeter

__all__ = ["OPTIONS_OF_ROLE", "make_instrument"]

OPTIONS_OF_ROLE: dict[str, type[Options]] = {
    "source": SourceOptions,
    "power meter": PowerMeterOptions,
    "analyser": AnalyserOptions,
    "network analyser": NetworkAnalyserOptions,
    "supply": SupplyOptions,
    "voltmeter": VoltmeterOptions,
    "chamber": ChamberOptions,
    "switch": SwitchOptions,
}
"""What the `twin:` mapping of each role takes."""


def make_instrument(
    name: str, bench: BenchFile, surroundings: Surroundings, *, file: str, seed: int, t: float
) -> SimulatedInstrument:
    """
    The simulated instrument behind one name of the bench file, switched on at `t`.

    Args:
        name: Of the instrument in the bench file.
        bench: The whole bench file; a switch's routes are in its wiring.
        surroundings: What its terminals see.
        file: The bench file's name, for the messages.
        seed: Decides its errors, its noise and its serial number.
        t: Now. [s]

    Raises:
        FileError: Its `twin:` mapping has mistakes.
    """
    settings = bench.instruments[name]

    def options(kind: type[OptionsT]) -> OptionsT:
        whole = {} if bench.twin is None else {"errors": bench.twin.errors}
        return read_options(kind, whole | dict(settings.twin), file=file, instrument=name)

    if isinstance(settings, SourceSettings):
        return SimulatedSource(name, settings, options(SourceOptions), surroundings, seed=seed, t=t)
    if isinstance(settings, PowerMeterSettings):
        return SimulatedPowerMeter(name, settings, options(PowerMeterOptions), surroundings, seed=seed, t=t)
    if isinstance(settings, AnalyserSettings):
        return SimulatedAnalyser(name, settings, options(AnalyserOptions), surroundings, seed=seed, t=t)
    if isinstance(settings, SupplySettings):
        return SimulatedSupply(name, settings, options(SupplyOptions), surroundings, seed=seed, t=t)
    if isinstance(settings, VoltmeterSettings):
        return SimulatedVoltmeter(name, settings, options(VoltmeterOptions), surroundings, seed=seed, t=t)
    if isinstance(settings, ChamberSettings):
        return SimulatedChamber(name, settings, options(ChamberOptions), surroundings, seed=seed, t=t)
    if isinstance(settings, NetworkAnalyserSettings):
        return SimulatedNetworkAnalyser(name, settings, options(NetworkAnalyserOptions), surroundings, seed=seed, t=t)
    wirings = bench.wiring.channels.values()
    positions = [wiring.position for wiring in wirings if wiring.position is not None]
    positions += [wiring.network.position for wiring in wirings if wiring.network is not None and wiring.network.position]
    wired = frozenset(route for position in positions if position.switch == name for route in position.close)
    return SimulatedSwitch(name, settings, options(SwitchOptions), surroundings, wired=wired, seed=seed, t=t)
