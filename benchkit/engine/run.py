"""
Carries out a plan, through roles only: temperatures outermost, then channels, then supply voltages; at each condition the
part is biased up, measured ladder by ladder, and biased down again.

When something stops it, the bench is made safe first and the record told afterwards: a disk may be slow, or full. Whoever calls
run() makes the bench safe once more, however it ended, and reports how that went (benchkit.campaign does).
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Mapping

from benchkit.bench.model import ChamberSettings, NetworkAnalyserSettings, SourceSettings
from benchkit.bench.open import OpenBench
from benchkit.clock import Clock
from benchkit.engine.biasing import Biaser, BiasReading
from benchkit.engine.facilities import Facilities
from benchkit.engine.hookup import Hookup, hook_up
from benchkit.engine.journalist import Events, Progress, Sink
from benchkit.engine.protections import Protections
from benchkit.engine.soak import soak
from benchkit.engine.standing import GATE_HELD, NOTHING_DONE, Standing, gate_held_text
from benchkit.engine.station import ChannelStation
from benchkit.engine.thermometer import Thermometer
from benchkit.engine.walls import Walls
from benchkit.engine.warming import Warming
from benchkit.envelope.network import highest_port_level_dbm
from benchkit.errors import BenchkitError, InstrumentError, LimitError, LinkError, MakeSafeError
from benchkit.measurements.base import Ladder, MeasurementBlock
from benchkit.plan.plan import Condition, Plan
from benchkit.roles import NetworkAnalyser, Source
from benchkit.sequence.load import Sequence

__all__ = ["Engine"]


class Engine:
    """
    One run of one plan on one open bench.

    Args:
        standing: What is done of the plan already; it is not measured again.
    """

    def __init__(
        self,
        bench: OpenBench,
        sequence: Sequence,
        plan: Plan,
        clock: Clock,
        sink: Sink,
        progress: Progress,
        standing: Standing = NOTHING_DONE,
    ) -> None:
        self._bench = bench
        self._sequence = sequence
        self._plan = plan
        self._clock = clock
        self._sink = sink
        self._progress = progress
        self.events = Events(sink, clock)
        self._walls = Walls(sequence, self.events.note)
        chamber = bench.bench.file.wiring.chamber
        self._chamber = None if chamber is None or chamber not in bench.instruments else bench.chamber(chamber)
        ratings = None if self._chamber is None else bench.bench.file.instruments[self._chamber.name]
        assert ratings is None or isinstance(ratings, ChamberSettings), "load_bench checks roles"
        self._chamber_ratings = ratings
        self._thermometer = Thermometer(
            self._chamber, sequence, sink, clock, self.events, ratings, bench.bench.path.name
        )
        sources = [one for one in bench.instruments.values() if isinstance(one, (Source, NetworkAnalyser))]
        self._protections = Protections(sequence, sources, self._chamber)
        self._biaser: Biaser | None = None
        self._condition: Condition | None = None
        # What is still to be told to the record when a run is stopped: after make safe, not before.
        self._untold: list[tuple[str, Mapping[str, float | int | str]]] = []
        self._held_gates_v: dict[tuple[str, float], tuple[float, ...]] = dict(standing.held_gates_v)
        self._facilities = Facilities(bench, clock, self._store, self.events.note, sequence.files)
        # What the engine adds to every row of a kind's own stream.
        self._where: Mapping[str, float | int | str] = {}
        self._standing = standing
        self._points = standing.points
        self._spared = 0
        self._serial = 0

    def run(self) -> None:
        """
        The whole plan.

        Raises:
            BenchkitError: What stopped it. The bench was made safe, as far as that could be done; the caller does so again, and
            tells how it went.
        """
        self._bench.hold_gate_v = self._sequence.file.bias.pinch_off_v
        try:
            self._prepare()
            self._before()
            self._walk()
            self.events.note("done", f"plan done: {self._points} points")
            self._warm_up()
        except BaseException as error:
            self._stop(error)
            raise

    def _before(self) -> None:
        """What kinds do at each channel before anything is biased: a network analyser's calibration."""
        left = self._standing.left(self._plan)
        networked = [block.network_sweep() is not None for block in self._plan.measurements]
        if self._standing.calibrations and not any(count and uses for count, uses in zip(left, networked, strict=True)):
            return  # nothing is left that would use one
        for measurement, block in enumerate(self._plan.measurements):
            asked = block.network_sweep()
            if asked is None or not asked.readings_before:
                continue
            for channel in self._plan.channels:
                self._progress.stage(f"{block.title}, channel {channel}")
                self._where = {
                    "measurement": measurement,
                    "ladder": -1,
                    "attempt": self._standing.calibrations.get(measurement, 0) + 1,
                    "channel": channel,
                    "temperature_set_degc": math.nan,
                    "supply_voltage_set_v": math.nan,
                }
                block.before(self._facilities.network(hook_up(self._bench, channel), None))

    def _store(self, stream: str, row: Mapping[str, float | int | str]) -> None:
        self._sink.append(stream, {**self._where, **row})

    def _walk(self) -> None:
        temperature: float | None = math.nan
        for condition in self._plan.conditions():
            if not self._standing.is_left(self._plan, condition):
                self._serial += sum(block.ladder_count() for block in self._plan.measurements)
                continue
            if condition.temperature_degc != temperature:
                temperature = condition.temperature_degc
                if temperature is not None:
                    self._reach(temperature)
            self._measure_condition(condition)

    def _stop(self, error: BaseException) -> None:
        """Something stopped the run: the part first, then the record, which is told everything even if it fails at something."""
        if isinstance(error, LimitError) and self._biaser is not None and self._biaser.last is not None and not self._untold:
            # A wall was hit while biasing, not at a point: the reading belongs into the bias log, with the state it was read in.
            assert self._condition is not None, "set with the biaser"
            self._untold.append(("bias", self._bias_row(self._condition, self._biaser, self._biaser.last, 0)))
        try:
            # Not told here what could not be made safe: the caller tries once more, and tells.
            with contextlib.suppress(MakeSafeError):
                self._bench.make_safe()
                if self._biaser is not None:
                    self._biaser.made_safe()
        finally:
            untold, self._untold = self._untold, []
            for stream, row in untold:
                # A record that fails now must not hide why the run was stopped; it fails again, and is told, at its end.
                with contextlib.suppress(BenchkitError, OSError):
                    self._sink.append(stream, row)
            warming = self._warming()
            if warming is not None:
                with contextlib.suppress(BenchkitError, OSError):
                    warming.warn()

    def _warm_up(self) -> None:
        """After a normal end: wait until the chamber may be opened, if the sequence asks for it."""
        warming = self._warming()
        if warming is not None:
            self._bench.make_safe()
            warming.wait()

    def _warming(self) -> Warming | None:
        settings = self._sequence.file.conditions.temperature
        if settings is None or settings.warm_before_opening is None or self._bench.idle_temperature_degc is None:
            return None
        case = hook_up(self._bench, self._plan.channels[0]).case
        return Warming(
            settings, settings.warm_before_opening, case, self._thermometer, self._clock, self.events, self._progress
        )

    def _prepare(self) -> None:
        """Known state everywhere, then the walls in the instruments, each read back, before anything is energised."""
        found = self._bench.prepare()
        if found:
            self.events.note(
                "found energised",
                f"the bench was energised before this run touched it ({', '.join(found)}); it was made safe first: RF off, drain "
                "off, gate off. A run that died, or somebody at the bench?",
                "warning",
            )
        missing = [text for instrument in self._bench.instruments.values() for text in instrument.missing_protections()]
        for text in missing:
            self.events.note("no protection", text, "warning")
        for name, instrument in self._bench.instruments.items():
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
            instrument.check_errors()
        self._set_functions()
        self.events.note("prepared", "every instrument in its known, safe state; protections set and read back")

    def _highest_level_dbm(self, source: str, settings: SourceSettings) -> float:
        """
        The highest level that the plan will ask of this source, rounded up to a hundredth: the tightest limit that lets the plan
        through. The proof has shown that this level does no harm. [dBm]
        """
        levels = []
        for channel in self._plan.channels:
            wiring = self._bench.bench.file.wiring.channels[channel]
            if wiring.input.source == source:
                path = self._bench.bench.paths[wiring.input.path]
                levels += [
                    max(ladder.levels_dbm) + path.loss_db(ladder.frequency_hz)
                    for block in self._plan.measurements
                    for ladder in block.ladders()
                    if ladder.levels_dbm
                ]
        if not levels:
            return settings.level_max_dbm
        return max(settings.level_min_dbm, min(settings.level_max_dbm, math.ceil(max(levels) * 100 + 1e-6) / 100))

    def _set_functions(self) -> None:
        """Volts for the diodes, four-wire ohms for the case."""
        wiring = self._bench.bench.file.wiring
        for channel in self._plan.channels:
            for pin in (wiring.channels[channel].detector, wiring.channels[channel].reference):
                if pin is not None:
                    self._bench.voltmeter(pin.voltmeter).set_function("voltage")
        if wiring.case_sensor is not None:
            self._bench.voltmeter(wiring.case_sensor.voltmeter).set_function("resistance")

    def _reach(self, temperature_degc: float) -> None:
        settings = self._sequence.file.conditions.temperature
        ratings = self._chamber_ratings
        if self._chamber is None or settings is None or ratings is None:
            raise InstrumentError("chamber", "the sequence sets a temperature and no chamber is open")
        self._progress.stage(f"to {temperature_degc:+g} °C")
        self._bench.idle_temperature_degc = settings.idle_degc
        case = hook_up(self._bench, self._plan.channels[0]).case
        outcome = soak(
            temperature_degc,
            settings.soak,
            ratings.ramp_k_per_min,
            self._chamber,
            case,
            self._thermometer,
            self._clock,
            self._progress,
            f"{self._sequence.path.name}: conditions.temperature.soak",
        )
        case_text = "" if math.isnan(outcome.case_degc) else f", case {outcome.case_degc:+.2f} °C"
        self.events.note(
            "soaked",
            f"{temperature_degc:+g} °C reached and soaked in {outcome.duration_s / 60:.1f} min: air {outcome.air_degc:+.2f} °C"
            f"{case_text}",
        )

    def _measure_condition(self, condition: Condition) -> None:
        hookup = hook_up(self._bench, condition.channel)
        biaser = Biaser(hookup, self._sequence, self._clock, self._walls, self._protections)
        self._biaser, self._condition = biaser, condition
        self._progress.stage(str(condition))
        if hookup.switch is not None:
            hookup.switch.connect(hookup.routes)
            self._clock.sleep(hookup.switch.settling_time_s)
        held = (condition.channel, condition.supply_voltage_v)
        hold = self._sequence.file.bias.retrim == "hold voltage"
        reading, steps = biaser.bias_up(
            condition.supply_voltage_v, gates_v=self._held_gates_v.get(held) if hold else None
        )
        if hold and held not in self._held_gates_v:
            self._held_gates_v[held] = biaser.gate_set_v
            self.events.note(GATE_HELD, gate_held_text(*held, biaser.gate_set_v))
        self._sink.append("bias", self._bias_row(condition, biaser, reading, steps))
        station = ChannelStation(
            biaser, self._bench.bench.file, self._clock, self._walls, self._thermometer, self._facilities
        )
        for measurement, block in enumerate(self._plan.measurements):
            for ladder in block.ladders():
                if self._serial not in self._standing.finished:
                    self._measure_ladder(condition, measurement, block, ladder, station, hookup)
                self._serial += 1
        station.rest()
        reading = biaser.read()
        biaser.bias_down()
        self._sink.append("bias", self._bias_row(condition, biaser, reading, 0))
        self._biaser = self._condition = None

    def _measure_ladder(
        self,
        condition: Condition,
        measurement: int,
        block: MeasurementBlock,
        ladder: Ladder,
        station: ChannelStation,
        hookup: Hookup,
    ) -> None:
        temperature = math.nan if condition.temperature_degc is None else condition.temperature_degc
        where: dict[str, float | int | str] = {
            "ladder": self._serial,
            "measurement": measurement,
            "attempt": self._standing.attempt(self._serial),
            "tripped": 0,
            "channel": condition.channel,
            "temperature_set_degc": temperature,
            "supply_voltage_set_v": condition.supply_voltage_v,
        }
        self._where = {name: value for name, value in where.items() if name != "tripped"}
        start_s = self._clock.now()
        points, status, reason = 0, "complete", ""
        planned = len(ladder.levels_dbm) or block.point_count() // block.ladder_count()
        append, measuring = self._sink.append, block.measure(ladder, station)
        try:
            while True:
                try:
                    reading = next(measuring)
                except StopIteration as stop:
                    reason = stop.value or ""
                    status = "stopped" if reason else "complete"
                    break
                append("points", {**reading, **where, "point": self._points, "step": points})
                for pin, voltage_v, current_a in station.pins:
                    append("pins", {"point": self._points, "pin": pin, "voltage_v": voltage_v, "current_a": current_a})
                self._points += 1
                points += 1
                self._progress.point(self._points, self._spared)
        except BaseException as error:
            if station.is_refused and station.present and isinstance(error, BenchkitError) and not isinstance(error, LinkError):
                # It is what ended the run, by a limit or because it cannot be trusted.
                row = {**station.present, **where, "tripped": 1, "point": self._points, "step": points}
                self._untold.append(("points", row))
                self._untold += [
                    ("pins", {"point": self._points, "pin": pin, "voltage_v": voltage_v, "current_a": current_a})
                    for pin, voltage_v, current_a in station.pins
                ]
                points += 1
            reason = " ".join(str(error).split())[:96]
            self._untold.append(("ladders", self._ladder_row(where, ladder, start_s, points, "torn", reason)))
            raise
        self._spared += max(0, planned - points)
        append("ladders", self._ladder_row(where, ladder, start_s, points, status, reason))
        if block.needs_drive:
            station.rest()
        for instrument in (hookup.source, hookup.meter, *hookup.supplies):
            if instrument is not None:
                instrument.check_errors()
        if self._biaser is not None:
            self._biaser.check_held()

    def _ladder_row(
        self, where: Mapping[str, float | int | str], ladder: Ladder, start_s: float, points: int, status: str, reason: str
    ) -> dict[str, float | int | str]:
        return {
            **{name: value for name, value in where.items() if name != "tripped"},
            "frequency_hz": ladder.frequency_hz,
            "start_s": start_s,
            "end_s": self._clock.now(),
            "points": points,
            "status": status,
            "stop_reason": reason,
        }

    def _bias_row(
        self, condition: Condition, biaser: Biaser, reading: BiasReading, steps: int
    ) -> dict[str, float | int | str]:
        return {
            "time_s": self._clock.now(),
            "channel": condition.channel,
            "temperature_set_degc": math.nan if condition.temperature_degc is None else condition.temperature_degc,
            "supply_voltage_set_v": condition.supply_voltage_v,
            "state": biaser.state.value,
            **vars(reading),
            "steps": steps,
        }
