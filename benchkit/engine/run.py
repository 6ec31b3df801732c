"""
Carries out a plan, through roles only: temperatures outermost, then channels, then supply voltages; at each condition the
part is biased up, measured ladder by ladder, and biased down again.

When something stops it, the bench is made safe first and the record told afterwards: a disk may be slow, or full. Whoever calls
run() makes the bench safe once more, however it ended, and reports how that went (benchkit.campaign does).
"""

from __future__ import annotations

import contextlib
import math
import textwrap
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from typing import TypeVar

from benchkit.bench.model import ChamberSettings
from benchkit.bench.open import OpenBench
from benchkit.clock import Clock
from benchkit.engine.before import Before
from benchkit.engine.bias import BiasState
from benchkit.engine.biasing import Biaser, BiasReading
from benchkit.engine.device_soak import SoakingDevice
from benchkit.engine.facilities import Facilities
from benchkit.engine.hookup import Hookup, hook_up
from benchkit.engine.journalist import Events, Placed, Progress, Sink
from benchkit.engine.protections import Protections
from benchkit.engine.recovery import Recovery
from benchkit.engine.sentinel import SentinelWatch
from benchkit.engine.set_up import SetUp
from benchkit.engine.soak import soak
from benchkit.engine.stages import FAILED, Stages
from benchkit.engine.standing import GATE_HELD, NOTHING_DONE, Standing, gate_held_text
from benchkit.engine.station import ChannelStation
from benchkit.engine.thermometer import Thermometer
from benchkit.engine.timekeeper import Timekeeper
from benchkit.engine.unpowered import UnpoweredPart, UnpoweredStation
from benchkit.engine.walls import Walls
from benchkit.engine.warming import Warming
from benchkit.errors import (
    BenchkitError,
    ConditionError,
    InstrumentError,
    LimitError,
    LinkError,
    MakeSafeError,
    MeasurementError,
    QuiescentError,
    TemperatureError,
)
from benchkit.measurements.base import Ladder, MeasurementBlock
from benchkit.measurements.sentinel import SENTINEL
from benchkit.plan.budget import TimeBudget
from benchkit.plan.pace import NO_PACE, Pace
from benchkit.plan.plan import Condition, Plan
from benchkit.roles import NetworkAnalyser, Source
from benchkit.sequence.load import Sequence
from benchkit.sequence.model import SoakSettings

__all__ = ["Engine"]

T = TypeVar("T")

REASON_LENGTH = 88
"""Of a reason in the record: its column holds 96 bytes, and not every sign has one."""


class Engine:
    """
    One run of one plan on one open bench.

    Args:
        standing: What is done of the plan already; it is not measured again.
        be_done_by: Instead of the sequence's own; "": that one.
        pace: What earlier records tell of how long things take, for a run that is to be done by a time.
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
        *,
        be_done_by: str = "",
        pace: Pace = NO_PACE,
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
        self._thermometer = Thermometer(self._chamber, sequence, sink, clock, self.events, ratings, bench.bench.path.name)
        sources = [one for one in bench.instruments.values() if isinstance(one, (Source, NetworkAnalyser))]
        self._protections = Protections(sequence, sources, self._chamber)
        self._biaser: Biaser | None = None
        self._condition: Condition | None = None
        # What is still to be told to the record when a run is stopped: after make safe, not before.
        self._untold: list[tuple[str, Mapping[str, float | int | str]]] = []
        self._held_gates_v: dict[tuple[str, float], tuple[float, ...]] = dict(standing.held_gates_v)
        self._placed = Placed(sink)
        self._facilities = Facilities(bench, clock, self._placed.store, self.events.note, sequence.files)
        self._standing = standing
        self._points = standing.points
        self._spared = 0
        self._serial = 0
        self._sentinel = (
            None
            if plan.sentinel is None
            else SentinelWatch(
                plan.sentinel,
                clock,
                lambda row: self._sink.append(SENTINEL, row),
                lambda row: self._untold.append((SENTINEL, row)),
                self.events,
                sequence.path.name,
                keeps_gate=sequence.file.bias.retrim == "hold voltage",
                references=standing.references,
            )
        )
        self.stages = Stages(plan, standing, sink, self.events, clock)
        self._timekeeper = Timekeeper(
            be_done_by or sequence.file.conditions.be_done_by or "",
            partial(TimeBudget, plan, sequence.file, bench.bench.file, pace=pace), plan, self.stages, self.events, clock,
        )  # fmt: skip
        self._set_up = SetUp(bench, sequence, plan, self._chamber, ratings, self._thermometer, self.events)
        ways = [bench.bench.file.wiring.channels[channel].network for channel in plan.channels]
        self._recovery = Recovery(
            bench, sequence.file.recover, sequence.path.name, clock, self.events, progress, self._protections,
            self._set_up,
            frozenset(way.analyser for way in ways if way is not None),
        )  # fmt: skip
        self._before = Before(bench, plan, standing, self._facilities, self._placed, self._recovery, self.events, progress)
        # What the sentinel begins with, while it has not yet; None: it has, or there is none.
        self._sentinel_due: tuple[Condition, ChannelStation, Hookup] | None = None
        # The biased channel; None while nothing is biased, or while it is on its way.
        self._present: ChannelStation | None = None
        # What told that the part is unpowered at the present condition, once a ladder was measured there.
        self._unpowered: UnpoweredPart | None = None

    def run(self) -> None:
        """
        The whole plan.

        Raises:
            BenchkitError: What stopped it. The bench was made safe, as far as that could be done; the caller does so again, and
            tells how it went.
        """
        self._bench.hold_gate_v = self._sequence.file.bias.pinch_off_v
        try:
            self._repeat("preparing the bench", self._set_up.prepare)
            self._before.carry_out()
            self._timekeeper.begin()
            self._walk()
            # Who does not answer is waited for now: what follows, make safe, waits for nobody.
            self._repeat("asking every instrument", self._ask_all)
            again, missing = self._recovery.count, self.stages.missing
            self.events.note(
                "done",
                f"plan done{f' but for ladders: {missing}' if missing else ''}: {self._points} points"
                + (f"; {'once' if again == 1 else f'{again} times'} something was begun again after trouble" if again else ""),
            )
            self._thermometer.hold(False)
            self._repeat("warming before opening", self._warm_up)
        except BaseException as error:
            self._stop(error)
            raise

    def _ask_all(self) -> None:
        for instrument in self._bench.instruments.values():
            instrument.identify()

    def _walk(self) -> None:
        temperature: float | None = math.nan
        for condition in self._plan.conditions():
            self._timekeeper.look(self._here_degc, condition, is_biased=False)
            if not self.stages.is_any_left(condition):
                continue
            try:
                if condition.temperature_degc != temperature:
                    temperature = condition.temperature_degc
                    if temperature is not None:
                        self._repeat(f"the way to {temperature:+g} °C", partial(self._reach_anew, temperature, condition))
                self._measure_condition(condition)
            except TemperatureError as error:
                self._give_up_temperature(condition, error)
                temperature = math.nan

    @property
    def _here_degc(self) -> float | None:
        """Where the chamber's air was last read; None: it was not. [degC]"""
        air_degc = self._thermometer.air_degc
        return None if math.isnan(air_degc) else air_degc

    def _repeat(self, what: str, act: Callable[[], T]) -> T:
        """What can be begun again from its start; and is, after transient trouble."""
        return self._recovery.repeat(what, act, lambda: self._biaser, self._after_trouble)

    def _after_trouble(self, bias_stands: bool) -> None:
        """The part is safe and the bench in order again: the record is told what was held back."""
        self._thermometer.abandon()
        self._tell()
        if bias_stands and self._present is not None:
            return
        if bias_stands:
            self._recovery.take_down(self._biaser)  # half-way up: begun again from unpowered
        self._forget_bias()

    def _forget_bias(self) -> None:
        """It was taken down otherwise than by the bias machine."""
        if self._present is not None and self._biaser is not None and self._biaser.last is not None:
            assert self._condition is not None, "set with the biaser"
            self._sink.append("bias", self._bias_row(self._condition, self._biaser, self._biaser.last, 0))
        self._present = self._biaser = self._condition = None

    def _tell(self) -> None:
        untold, self._untold = self._untold, []
        for stream, row in untold:
            self._sink.append(stream, row)
            self._points += stream == "points"

    def _reach_anew(self, temperature_degc: float, condition: Condition) -> None:
        """
        Raises:
            TemperatureError: It was not reached, or its soak was not done.
        """
        try:
            self._reach(temperature_degc, condition)
        except ConditionError as error:
            raise TemperatureError(str(error)) from error
        self._recovery.chamber_lost = False

    def _give_up_temperature(self, condition: Condition, error: TemperatureError) -> None:
        settings = self._sequence.file.conditions.temperature
        if settings is None or settings.on_failure == "stop":
            raise error
        self._recovery.take_down(self._biaser)
        self._tell()
        self._forget_bias()
        self._thermometer.hold(False)
        there = [
            one
            for one in self._plan.conditions()
            if (one.temperature_degc, one.visit) == (condition.temperature_degc, condition.visit)
        ]
        count = sum(self.stages.skip(one, str(error)) for one in there)
        self.events.note(
            "temperature skipped",
            f"{error}; {count} ladders there are skipped ({self._sequence.path.name}: conditions.temperature.on_failure)",
            "warning",
        )

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
            if self._recovery.gave_up:
                with contextlib.suppress(BenchkitError, OSError):
                    self.events.note("not recovered", self._recovery.gave_up, "error")
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
        return Warming(settings, settings.warm_before_opening, case, self._thermometer, self._clock, self.events, self._progress)

    def _reach(self, temperature_degc: float, condition: Condition) -> None:
        """`condition`: the first that is measured there."""
        settings = self._sequence.file.conditions.temperature
        ratings = self._chamber_ratings
        if self._chamber is None or settings is None or ratings is None:
            raise InstrumentError("chamber", "the sequence sets a temperature and no chamber is open")
        self._progress.stage(f"to {temperature_degc:+g} °C")
        self._bench.idle_temperature_degc = settings.idle_degc
        case = hook_up(self._bench, self._plan.channels[0]).case
        device = self._soaking_device(settings.soak, condition)
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
            device,
        )
        self._biaser = self._condition = None
        case_text = "" if math.isnan(outcome.case_degc) else f", case {outcome.case_degc:+.2f} °C"
        self.events.note(
            "soaked",
            f"{temperature_degc:+g} °C reached and soaked in {outcome.duration_s / 60:.1f} min: air {outcome.air_degc:+.2f} °C"
            f"{case_text}{'' if device is None else f', {device.shown()}'}",
        )

    def _soaking_device(self, settings: SoakSettings, condition: Condition) -> SoakingDevice | None:
        if settings.device is None:
            return None

        # What is measured unpowered comes first, and says nothing of how the device is biased.
        biased = replace(condition, supply_voltage_v=self._plan.supply_voltages_v[0])
        at = condition if condition.is_powered else biased

        def up() -> tuple[Biaser, ChannelStation]:
            biaser, _, _ = self._bias_up(at)
            return biaser, self._station(biaser)

        def log(state: str, reading: BiasReading) -> None:
            assert self._biaser is not None, "it was biased"
            self._sink.append("bias", {**self._bias_row(at, self._biaser, reading, 0), "state": state})

        return SoakingDevice(settings.device, up, log, self._plan.sentinel, self._clock)

    def _bias_up(self, condition: Condition) -> tuple[Biaser, BiasReading, int]:
        """The one way from unpowered to biased, for a condition and for the soak before it: switch, walls, gate, drain, trim."""
        hookup = hook_up(self._bench, condition.channel)
        biaser = Biaser(hookup, self._sequence, self._clock, self._walls, self._protections)
        self._biaser, self._condition = biaser, condition
        if hookup.switch is not None:
            hookup.switch.connect(hookup.routes)
            self._clock.sleep(hookup.switch.settling_time_s)
        hold = self._sequence.file.bias.retrim == "hold voltage"
        gates_v = self._held_gates_v.get((condition.channel, condition.supply_voltage_v)) if hold else None
        reading, steps = biaser.bias_up(condition.supply_voltage_v, gates_v=gates_v)
        return biaser, reading, steps

    def _station(self, biaser: Biaser) -> ChannelStation:
        return ChannelStation(biaser, self._bench.bench.file, self._clock, self._walls, self._thermometer, self._facilities)

    def _measure_condition(self, condition: Condition) -> None:
        """
        Raises:
            QuiescentError: The quiescent current was not reached, and the sequence says to stop then.
            TemperatureError: The temperature is lost.
        """
        self._progress.stage(str(condition))
        self._unpowered = None
        try:
            if condition.is_powered:
                self._repeat(f"the bias-up at {condition}", partial(self._bring_up, condition))
            for measurement, block in self._plan.measured_at(condition):
                for serial, ladder in zip(self.stages.serials(condition, measurement), block.ladders(), strict=True):
                    if self.stages.is_left(serial):
                        self._timekeeper.look(self._here_degc, condition, is_biased=True)
                    if self.stages.is_left(serial):
                        self._serial = serial
                        self._measure_by_policy(condition, measurement, block, ladder)
            if condition.is_powered:
                self._repeat(f"the bias-down at {condition}", partial(self._bring_down, condition))
            elif self._unpowered is not None:
                self._sink.append("bias", self._unpowered_row(condition, self._unpowered))
        except QuiescentError as error:
            if self._sequence.file.conditions.on_failure == "stop":
                raise
            self._recovery.take_down(self._biaser)
            self._tell()
            self._forget_bias()
            count = self.stages.skip(condition, str(error))
            self.events.note(
                "condition skipped",
                f"{error}; {count} ladders there are skipped ({self._sequence.path.name}: conditions.on_failure)",
                "warning",
            )

    def _measure_by_policy(self, condition: Condition, measurement: int, block: MeasurementBlock, ladder: Ladder) -> None:
        """One ladder; when it fails alone, what the sequence says follows."""

        def measure() -> None:
            if not condition.is_powered:
                self._measure_unpowered(condition, measurement, block, ladder)
                return
            station = self._bring_up(condition)
            if self._sentinel is not None and self._begin_sentinel(condition):
                self._sentinel.before_ladder()
            assert self._biaser is not None, "brought up"
            self._measure_ladder(condition, measurement, block, ladder, station, self._biaser.hookup)

        try:
            self._repeat(f"ladder {self._serial} ({block.title} at {condition})", measure)
        except MeasurementError as error:
            if block.on_failure == "stop":
                raise
            self._repeat("RF off", self._rest)
            self._tell()
            self.stages.failed(self._serial)
            said = f"{block.title} at {condition} failed: {error}"
            count = self.stages.skip(condition, said) if block.on_failure == "skip condition" else 0
            self.events.note(
                "measurement failed",
                f"{said}; {f'{count} more ladders there are skipped' if count else 'the run goes on'} "
                f"({self._sequence.path.name}: measurements[{measurement}].on_failure)",
                "warning",
            )

    def _measure_unpowered(self, condition: Condition, measurement: int, block: MeasurementBlock, ladder: Ladder) -> None:
        """One ladder of the unpowered device. Nothing is biased here, so that there is nothing to bring down."""
        if self._recovery.chamber_lost and condition.temperature_degc is not None:
            self._reach_anew(condition.temperature_degc, condition)
        part = UnpoweredPart(self._bench, condition.channel, self._plan.channels, self._sequence, self._clock)
        station = UnpoweredStation(part, self._bench.bench.file, self._clock, self._thermometer, self._facilities)
        try:
            self._measure_ladder(condition, measurement, block, ladder, station, part.hookup)
        except BaseException:
            if part.last is not None:
                self._untold.append(("bias", self._unpowered_row(condition, part)))
            raise
        self._unpowered = part

    def _rest(self) -> None:
        if self._present is not None:
            self._present.rest()

    def _bring_up(self, condition: Condition) -> ChannelStation:
        """Biased as `condition` says, whatever was before: still so, or taken down after trouble."""
        if self._present is not None:
            return self._present
        if self._recovery.chamber_lost and condition.temperature_degc is not None:
            self._reach_anew(condition.temperature_degc, condition)
        held = (condition.channel, condition.supply_voltage_v)
        hold = self._sequence.file.bias.retrim == "hold voltage"
        biaser, reading, steps = self._bias_up(condition)
        hookup = biaser.hookup
        if hold and held not in self._held_gates_v:
            self._held_gates_v[held] = biaser.gate_set_v
            self.events.note(GATE_HELD, gate_held_text(*held, biaser.gate_set_v))
        self._sink.append("bias", self._bias_row(condition, biaser, reading, steps))
        station = self._station(biaser)
        self._sentinel_due = None if self._sentinel is None else (condition, station, hookup)
        self._begin_sentinel(condition)
        self._present = station
        return station

    def _begin_sentinel(self, condition: Condition) -> bool:
        """The sentinel drives the device: not before all that must be known first is known. Whether it has begun."""
        may_drive = all(
            self.stages.is_done(serial)
            for measurement, block in enumerate(self._plan.measurements)
            if block.before_drive
            for serial in self.stages.serials(condition, measurement)
        )
        if self._sentinel is not None and self._sentinel_due is not None and may_drive:
            self._sentinel.begin(*self._sentinel_due)
            self._sentinel_due = None
        return self._sentinel_due is None

    def _bring_down(self, condition: Condition) -> None:
        if self._present is None and self._sentinel is None:
            return  # taken down already, after trouble
        station = self._bring_up(condition)
        biaser = self._biaser
        assert biaser is not None, "brought up"
        if self._sentinel is not None and self._sentinel_due is None:
            self._sentinel.end()
        station.rest()
        reading = biaser.read()
        biaser.bias_down()
        self._sink.append("bias", self._bias_row(condition, biaser, reading, 0))
        self._present = self._biaser = self._condition = None

    def _measure_ladder(
        self,
        condition: Condition,
        measurement: int,
        block: MeasurementBlock,
        ladder: Ladder,
        station: ChannelStation | UnpoweredStation,
        hookup: Hookup,
    ) -> None:
        temperature = math.nan if condition.temperature_degc is None else condition.temperature_degc
        where: dict[str, float | int | str] = {
            "ladder": self._serial,
            "measurement": measurement,
            "attempt": self.stages.attempt(self._serial),
            "tripped": 0,
            "channel": condition.channel,
            "temperature_set_degc": temperature,
            "supply_voltage_set_v": condition.supply_voltage_v,
        }
        self._placed.where = {name: value for name, value in where.items() if name != "tripped"}
        start_s = self._clock.now()
        points, status, reason = 0, "complete", ""
        planned = len(ladder.levels_dbm) or block.point_count() // block.ladder_count()
        append, measuring = self._sink.append, block.measure(ladder, station)
        self._facilities.take_evidence()
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
            # Before it counts as finished: what these find may have been so while it was measured.
            if block.drives:
                station.rest()
            for instrument in (hookup.source, hookup.second_source, hookup.meter, hookup.analyser, *hookup.supplies):
                if instrument is not None:
                    instrument.check_errors()
            for one in self._bench.instruments.values():
                one.check_power()
            if self._biaser is not None:
                self._biaser.check_held()
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
            self._untold += [(stream, {**self._placed.where, **row}) for stream, row in self._facilities.take_evidence()]
            reason = textwrap.shorten(str(error), REASON_LENGTH, placeholder=" …")
            status = FAILED if isinstance(error, MeasurementError) else "torn"
            self._untold.append(("ladders", self._ladder_row(where, ladder, start_s, points, status, reason)))
            self.stages.torn(self._serial)
            raise
        self._spared += max(0, planned - points)
        append("ladders", self._ladder_row(where, ladder, start_s, points, status, reason))
        self.stages.done(self._serial)
        self._timekeeper.took(measurement, self._clock.now() - start_s)

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

    def _unpowered_row(self, condition: Condition, part: UnpoweredPart) -> dict[str, float | int | str]:
        assert part.last is not None, "read"
        return self._row_of(condition, BiasState.UNPOWERED, part.last, 0)

    def _bias_row(self, condition: Condition, biaser: Biaser, reading: BiasReading, steps: int) -> dict[str, float | int | str]:
        return self._row_of(condition, biaser.state, reading, steps)

    def _row_of(self, condition: Condition, state: BiasState, reading: BiasReading, steps: int) -> dict[str, float | int | str]:
        return {
            "time_s": self._clock.now(),
            "channel": condition.channel,
            "temperature_set_degc": math.nan if condition.temperature_degc is None else condition.temperature_degc,
            "supply_voltage_set_v": condition.supply_voltage_v,
            "state": state.value,
            **vars(reading),
            "steps": steps,
        }
