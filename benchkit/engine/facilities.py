"""What the bench offers a biased channel besides source and power meter, each as a station of its own; made when asked for."""

from __future__ import annotations

from collections.abc import Mapping

from benchkit.bench.open import OpenBench
from benchkit.clock import Clock
from benchkit.engine.biasing import Biaser
from benchkit.engine.hookup import Hookup
from benchkit.engine.network_station import AnalyserStation, Calibrations, Note, Store

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

    def network(self, hookup: Hookup, biaser: Biaser | None) -> AnalyserStation:
        """The network analyser as wired to one channel. `biaser` None: the part is unpowered, standards may be connected."""
        calibrations, files = self._calibrations, self.files
        return AnalyserStation(self.bench, hookup, self.clock, biaser, calibrations, self.store, self.note, files)
