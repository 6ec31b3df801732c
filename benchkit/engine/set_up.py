"""
What the engine sets in instruments beside what a kind of measurement sets: known states, the walls in the instruments, what each
voltmeter reads, the chamber's temperature. All of it read back; all of it again after trouble.
"""

from __future__ import annotations

import math

from benchkit.bench.model import ChamberSettings, NetworkAnalyserSettings, SourceSettings
from benchkit.bench.open import OpenBench
from benchkit.engine.journalist import Events
from benchkit.engine.thermometer import Thermometer
from benchkit.envelope.network import highest_port_level_dbm
from benchkit.plan.plan import Plan
from benchkit.roles import Chamber
from benchkit.sequence.load import Sequence

__all__ = ["SetUp"]


class SetUp:
    """
    Of one run.

    Args:
        chamber, ratings: None: the run uses none.
        thermometer: Knows which temperature is being held.
    """

    def __init__(
        self, bench: OpenBench, sequence: Sequence, plan: Plan, chamber: Chamber | None, ratings: ChamberSettings | None,
        thermometer: Thermometer, events: Events,
    ) -> None:  # fmt: skip
        self._bench, self._sequence, self._plan = bench, sequence, plan
        self._chamber, self._chamber_ratings = chamber, ratings
        self._thermometer, self._events = thermometer, events

    def prepare(self) -> None:
        """Known state everywhere, then the walls in the instruments, each read back, before anything is energised."""
        found = self._bench.prepare()
        if found:
            self._events.note(
                "found energised",
                f"the bench was energised before this run touched it ({', '.join(found)}); it was made safe first: RF off, drain "
                "off, gate off. A run that died, or somebody at the bench?",
                "warning",
            )
        missing = [text for instrument in self._bench.instruments.values() for text in instrument.missing_protections()]
        for text in missing:
            self._events.note("no protection", text, "warning")
        self.set_protections()
        for instrument in self._bench.instruments.values():
            instrument.check_errors()
        self.set_functions()
        self._events.note("prepared", "every instrument in its known, safe state; protections set and read back")

    def set_protections(self) -> None:
        """Limits that are in the instruments from the beginning, each read back unless it is known to be set."""
        for name in self._bench.instruments:
            settings = self._bench.bench.file.instruments[name]
            if isinstance(settings, SourceSettings):
                self._bench.source(name).set_level_limit(self._highest_level_dbm(name, settings))
            if isinstance(settings, NetworkAnalyserSettings):
                channels = self._bench.bench.file.wiring.channels
                ways = [channels[channel].network for channel in self._plan.channels]
                paths = [self._bench.bench.paths[way.input_path] for way in ways if way is not None and way.analyser == name]
                self._bench.network_analyser(name).set_level_limit(highest_port_level_dbm(self._plan, paths, settings))
            if isinstance(settings, ChamberSettings) and self._chamber is not None:
                limits = self._sequence.file.limits
                low = max(limits.temperature_min_degc, settings.temperature_min_degc)
                high = min(limits.temperature_max_degc, settings.temperature_max_degc)
                self._bench.chamber(name).set_limits(low, high)

    def hold_temperature(self) -> None:
        """Told once more: what it was told last may not have arrived. The air is watched all the time (Thermometer)."""
        chamber, ratings = self._chamber, self._chamber_ratings
        if chamber is None or ratings is None or not self._thermometer.is_holding:
            return
        chamber.set_ramp(ratings.ramp_k_per_min)
        chamber.set_temperature(self._thermometer.set_degc)
        chamber.start()
        chamber.check_errors()

    def _highest_level_dbm(self, source: str, settings: SourceSettings) -> float:
        """
        The highest level that the plan will ask of this source, rounded up to a hundredth: the tightest limit that lets the plan
        through. The proof has shown that this level does no harm. [dBm]
        """
        levels = []
        for channel in self._plan.channels:
            wiring = self._bench.bench.file.wiring.channels[channel]
            ways = (wiring.input.source, wiring.input.path), (wiring.input.second_source, wiring.input.second_path)
            for tone, (name, path_name) in enumerate(ways):
                if name != source or path_name is None:
                    continue
                path = self._bench.bench.paths[path_name]
                # Beside its path's own measurement the second source is for the second of two tones, and for nothing else.
                levels += [
                    max(ladder.levels_dbm) + path.loss_db(ladder.tones_hz[tone])
                    for _, block in self._plan.asked()
                    if block.drives
                    for ladder in block.ladders()
                    if ladder.levels_dbm and tone < len(ladder.tones_hz)
                ]
                levels += [
                    level_dbm
                    for block in self._plan.measurements
                    if (asked := block.power_before()) is not None
                    for level_dbm in asked.source_levels_dbm("second source" if tone else "source", path)
                ]
        if not levels:
            return settings.level_max_dbm
        return max(settings.level_min_dbm, min(settings.level_max_dbm, math.ceil(max(levels) * 100 + 1e-6) / 100))

    def set_functions(self) -> None:
        """Volts for the diodes, four-wire ohms for the case."""
        wiring = self._bench.bench.file.wiring
        for channel in self._plan.channels:
            for pin in (wiring.channels[channel].detector, wiring.channels[channel].reference):
                if pin is not None:
                    self._bench.voltmeter(pin.voltmeter).set_function("voltage")
        if wiring.case_sensor is not None:
            self._bench.voltmeter(wiring.case_sensor.voltmeter).set_function("resistance")
