"""
What the bench offers a channel, each as a station of its own, made when asked for: besides source and power meter to a biased
one, and what is done before anything is biased.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from benchkit.bench.open import OpenBench
from benchkit.clock import Clock
from benchkit.engine.biasing import Biaser
from benchkit.engine.hookup import Hookup
from benchkit.engine.network_station import AnalyserStation, Calibrations, Note, Store
from benchkit.engine.power_station import SensorStation
from benchkit.engine.spectrum_station import AnalyserSpectrumStation
from benchkit.engine.tone_station import CombinedToneStation
from benchkit.measurements.base import TwoTones
from benchkit.measurements.power_before import PowerBefore

if TYPE_CHECKING:
    from benchkit.engine.station import ChannelStation
    from benchkit.engine.unpowered import UnpoweredPart

__all__ = ["Facilities"]


class Facilities:
    """
    One of these per run, for what lasts from channel to channel.

    Args:
        store: Takes rows of kinds' own streams; the engine adds where they belong.
        files: What the sequence's kinds name, by name.
    """

    def __init__(self, bench: OpenBench, clock: Clock, store: Store, note: Note, files: Mapping[str, bytes]) -> None:
        self.bench, self.clock, self.store, self.note, self.files = bench, clock, store, note, files
        self._calibrations: Calibrations = {}
        self._evidence: list[tuple[str, Mapping[str, float | int | str]]] = []
        self._calibrated_meters: set[str] = set()

    def network(self, hookup: Hookup, biaser: Biaser | None, part: UnpoweredPart | None = None) -> AnalyserStation:
        """
        The network analyser as wired to one channel.

        Args:
            biaser: None: the part is unpowered; without `part`, standards may be connected.
            part: The part is measured unpowered.
        """
        calibrations, files = self._calibrations, self.files
        return AnalyserStation(self.bench, hookup, self.clock, biaser, calibrations, self.store, self.note, files, part)

    def power(self, hookup: Hookup, asked: PowerBefore) -> SensorStation:
        """Source and power meter as wired to one channel, the part unpowered; the sensor is calibrated first, once in a run."""
        station = SensorStation(self.bench, hookup, self.clock, asked, self.store, self.note, self.files)
        if station.meter not in self._calibrated_meters:
            station.calibrate_sensor()
            self._calibrated_meters.add(station.meter)
        return station

    def tones(self, station: ChannelStation, biaser: Biaser, asked: TwoTones) -> CombinedToneStation:
        """Both sources and the spectrum analyser as wired to one biased channel."""
        return CombinedToneStation(station, biaser, self.bench.bench.file, self.clock, asked)

    def spectrum(self, station: ChannelStation, biaser: Biaser) -> AnalyserSpectrumStation:
        """The spectrum analyser as wired to one biased channel."""
        return AnalyserSpectrumStation(
            station, biaser, self.bench.bench.file, lambda stream, row: self._evidence.append((stream, row))
        )

    def take_evidence(self) -> list[tuple[str, Mapping[str, float | int | str]]]:
        """Rows that kinds kept for the case that their ladder ends by an error: stream and row; each is handed over once."""
        found, self._evidence = self._evidence, []
        return found
