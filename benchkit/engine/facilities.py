"""What the bench offers a biased channel besides source and power meter, each as a station of its own; made when asked for."""

from __future__ import annotations

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
    """

    def __init__(self, bench: OpenBench, clock: Clock, store: Store, note: Note) -> None:
        self.bench, self.clock, self.store, self.note = bench, clock, store, note
        self._calibrations: Calibrations = {}

    def network(self, hookup: Hookup, biaser: Biaser | None) -> AnalyserStation:
        """The network analyser as wired to one channel. `biaser` None: the part is unpowered, standards may be connected."""
        return AnalyserStation(self.bench, hookup, self.clock, biaser, self._calibrations, self.store, self.note)
