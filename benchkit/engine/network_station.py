"""
The network analyser at one channel: routes there and back with RF off, one sweep, raw.

RF comes on for one sweep and goes off with it, read back both ways. Of a biased device drain and gate are read while the sweep
runs, and held against the limits; of an unpowered one that it is unpowered is read before and while the sweep runs.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Protocol

from benchkit.bench.model import NetworkAnalyserSettings, SwitchPosition
from benchkit.bench.open import OpenBench
from benchkit.clock import Clock
from benchkit.engine.all_off import require_all_off
from benchkit.engine.bias import BiasState
from benchkit.engine.biasing import Biaser
from benchkit.engine.hookup import Hookup
from benchkit.envelope.network import port_level_dbm
from benchkit.errors import InstrumentError, MisuseError
from benchkit.measurements.base import NetworkAccuracy, NetworkSweep
from benchkit.results.calibration import Calibration
from benchkit.roles import Switch

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from benchkit.engine.unpowered import UnpoweredPart

__all__ = ["AnalyserStation", "Calibrations", "Note", "Store"]

Calibrations = dict[str, Calibration]
"""By channel: what was kept last. One of these per run."""

Store = Callable[[str, Mapping[str, float | int | str]], None]


class Note(Protocol):
    """Takes an event: kind, text and severity (info, warning or error)."""

    def __call__(self, kind: str, text: str, severity: str = "info", /) -> None: ...



class AnalyserStation:
    """
    Implements benchkit.measurements.NetworkStation.

    Args:
        biaser: Of the biased channel; None: the part is unpowered.
        part: The unpowered part, where it is what is measured; None without a biaser: standards may be connected.
        calibrations: Shared by all stations of a run.
        store: Takes rows of a kind's own streams.
        note: Takes events: kind and text.
        files: What the sequence's kinds name, by name.
    """

    def __init__(
        self,
        bench: OpenBench,
        hookup: Hookup,
        clock: Clock,
        biaser: Biaser | None,
        calibrations: Calibrations,
        store: Store,
        note: Note,
        files: Mapping[str, bytes],
        part: UnpoweredPart | None = None,
    ) -> None:
        wiring = bench.bench.file.wiring.channels[hookup.channel].network
        if wiring is None or wiring.analyser not in bench.instruments:
            raise MisuseError(f"channel {hookup.channel}: its network analyser is not wired, or not open")
        self.channel = hookup.channel
        self._bench, self._hookup, self._clock, self._biaser = bench, hookup, clock, biaser
        self._part = part
        self._calibrations, self._store, self._note, self._files = calibrations, store, note, files
        self._analyser = bench.network_analyser(wiring.analyser)
        self._input_path = bench.bench.paths[wiring.input_path]
        self._position: SwitchPosition | None = wiring.position
        settings = bench.bench.file.instruments[wiring.analyser]
        assert isinstance(settings, NetworkAnalyserSettings), "load_bench checks roles"
        self._settings = settings

    def sweep(self, asked: NetworkSweep) -> NDArray[np.complex128]:
        """As NetworkStation.sweep. When it raises, RF may be on: make safe takes it off first, as ever."""
        analyser, biaser = self._analyser, self._biaser
        if biaser is not None and biaser.state is not BiasState.BIASED:
            raise MisuseError(f"channel {self.channel} is {biaser.state.value}; a sweep wants it biased, and RF off")
        self._require_off()
        if self._part is not None:
            self._part.require_off()
        self._connect(self._position)
        analyser.set_frequencies(list(asked.frequencies_hz))
        analyser.set_if_bandwidth(asked.if_bandwidth_hz)
        analyser.set_averages(asked.averages)
        analyser.set_level(port_level_dbm(asked, self._input_path))
        analyser.check_errors()
        if biaser is not None:
            # From here on RF may be on, even if the next message fails.
            biaser.rf_on()
        analyser.output_on()
        self._clock.sleep(analyser.settling_time_s)
        analyser.arm()
        if biaser is not None:
            biaser.read()
        if self._part is not None:
            self._part.read()
        raw = analyser.collect()
        analyser.output_off()
        self._require_off()
        if self._part is not None:
            # So it was meanwhile, too: what is off before and after was not switched on and off by anybody.
            self._part.require_off()
        if biaser is not None:
            biaser.rf_off()
        analyser.check_errors()
        self._back()
        return raw

    def accuracy(self, asked: NetworkSweep) -> NetworkAccuracy:
        """As NetworkStation.accuracy: noise falls with averages and with the IF bandwidth's square root."""
        stated = self._settings
        narrower = math.sqrt(asked.averages)
        trace = math.nan if stated.trace_noise is None else stated.trace_noise * math.sqrt(asked.if_bandwidth_hz / 1e3)
        floor_db = math.nan if stated.noise_floor_dbm is None else stated.noise_floor_dbm
        floor_db += 10.0 * math.log10(asked.if_bandwidth_hz / 10.0) - port_level_dbm(asked, self._input_path)
        return NetworkAccuracy(
            trace / narrower,
            10.0 ** (floor_db / 20.0) / narrower,
            math.nan if stated.linearity_db is None else stated.linearity_db,
            math.nan if stated.drift_db is None else stated.drift_db,
        )

    def connect(self, what: str) -> None:
        """As NetworkStation.connect."""
        if self._biaser is not None or self._part is not None:
            state = "measured unpowered" if self._biaser is None else "biased"
            raise MisuseError(f"{what} to be connected while channel {self.channel} is {state}")
        hands = self._bench.hands
        if hands is None:
            raise InstrumentError(
                self._analyser.name,
                f"{what} must be connected to channel {self.channel}, and nobody is there to be asked: start the run from a "
                "terminal, or set correction: none and correct elsewhere",
            )
        require_all_off(self._bench, f"{what} is about to be connected by hand")
        hands.connect(self.channel, what)
        self._note("connected", f"channel {self.channel}: {what} connected for the network analyser")

    def now_s(self) -> float:
        return self._clock.now()

    def file(self, name: str) -> bytes:
        """As NetworkStation.file."""
        if name not in self._files:
            raise MisuseError(f"{name} is not at hand: the sequence was loaded from its text alone, without the files it names")
        return self._files[name]

    def keep(self, calibration: Calibration) -> None:
        self._calibrations[self.channel] = calibration

    def calibration(self) -> Calibration | None:
        return self._calibrations.get(self.channel)

    def note(self, kind: str, text: str) -> None:
        self._note(kind, text)

    def store(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        self._store(stream, row)

    def _require_off(self) -> None:
        second = None if self._part is None else self._hookup.second_source
        for instrument in (self._analyser, self._hookup.source, second):
            if instrument is not None and instrument.is_output_on():
                raise InstrumentError(
                    instrument.name, "RF reads on where it must be off: it does not do what it is told. Switch it off by hand"
                )

    def _connect(self, position: SwitchPosition | None) -> None:
        """A contact that opens under power burns: RF was read off before."""
        if position is None:
            return
        switch: Switch = self._bench.switch(position.switch)
        switch.connect(position.close)
        self._clock.sleep(switch.settling_time_s)

    def _back(self) -> None:
        if self._position is None or self._hookup.switch is None:
            return
        self._hookup.switch.connect(self._hookup.routes)
        self._clock.sleep(self._hookup.switch.settling_time_s)
