"""
Carries out a plan, through roles only: temperatures outermost, then channels, then supply voltages; at each condition the
part is biased up, measured ladder by ladder, and biased down again.

Whoever calls run() makes the bench safe afterwards, however it ended (benchkit.campaign does).
"""

from __future__ import annotations

import math

from benchkit.bench.model import ChamberSettings
from benchkit.bench.open import OpenBench
from benchkit.clock import Clock
from benchkit.engine.biasing import Biaser, BiasReading
from benchkit.engine.hookup import Hookup, hook_up
from benchkit.engine.journalist import Events, Progress, Sink
from benchkit.engine.soak import soak
from benchkit.engine.station import ChannelStation
from benchkit.engine.thermometer import Thermometer
from benchkit.engine.walls import Walls
from benchkit.errors import InstrumentError
from benchkit.measurements.base import Ladder, MeasurementBlock
from benchkit.plan.plan import Condition, Plan
from benchkit.sequence.load import Sequence

__all__ = ["Engine"]


class Engine:
    """One run of one plan on one open bench."""

    def __init__(
        self, bench: OpenBench, sequence: Sequence, plan: Plan, clock: Clock, sink: Sink, progress: Progress
    ) -> None:
        self._bench = bench
        self._sequence = sequence
        self._plan = plan
        self._clock = clock
        self._sink = sink
        self._progress = progress
        self.events = Events(sink, clock)
        self._walls = Walls(sequence)
        chamber = bench.bench.file.wiring.chamber
        self._chamber = None if chamber is None or chamber not in bench.instruments else bench.chamber(chamber)
        self._thermometer = Thermometer(self._chamber, sequence, sink, clock)
        self._held_gate_v: dict[tuple[str, float], float] = {}
        self._points = 0
        self._spared = 0
        self._serial = 0

    def run(self) -> None:
        """
        The whole plan.

        Raises:
            BenchkitError: What stopped it; the bench is as it was then, and must be made safe.
        """
        self._bench.hold_gate_v = self._sequence.file.bias.pinch_off_v
        self._prepare()
        temperature: float | None = math.nan
        for condition in self._plan.conditions():
            if condition.temperature_degc != temperature:
                temperature = condition.temperature_degc
                if temperature is not None:
                    self._reach(temperature)
            self._measure_condition(condition)
        self.events.note("done", f"plan done: {self._points} points")

    def _prepare(self) -> None:
        """Known state everywhere, then the walls in the instruments, each read back, before anything is energised."""
        self._bench.prepare()
        missing = [text for instrument in self._bench.instruments.values() for text in instrument.missing_protections()]
        for text in missing:
            self.events.note("no protection", text, "warning")
        for name, instrument in self._bench.instruments.items():
            settings = self._bench.bench.file.instruments[name]
            if settings.role == "source":
                self._bench.source(name).set_level_limit(settings.level_max_dbm)
            if isinstance(settings, ChamberSettings) and self._chamber is not None:
                limits = self._sequence.file.limits
                low = max(limits.temperature_min_degc, settings.temperature_min_degc)
                high = min(limits.temperature_max_degc, settings.temperature_max_degc)
                self._bench.chamber(name).set_limits(low, high)
            instrument.check_errors()
        self._set_functions()
        self.events.note("prepared", "every instrument in its known, safe state; protections set and read back")

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
        if self._chamber is None or settings is None:
            raise InstrumentError("chamber", "the sequence sets a temperature and no chamber is open")
        ratings = self._bench.bench.file.instruments[self._chamber.name]
        assert isinstance(ratings, ChamberSettings), "load_bench checks roles"
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
        biaser = Biaser(hookup, self._sequence, self._clock, self._walls)
        self._progress.stage(str(condition))
        if hookup.switch is not None:
            hookup.switch.connect(hookup.routes)
            self._clock.sleep(hookup.switch.settling_time_s)
        held = (condition.channel, condition.supply_voltage_v)
        hold = self._sequence.file.bias.retrim == "hold voltage"
        gate_v = self._held_gate_v.get(held) if hold else None
        reading, steps = biaser.bias_up(condition.supply_voltage_v, gate_voltage_v=gate_v)
        if hold and gate_v is None:
            self._held_gate_v[held] = hookup.gate.voltage_setpoint_v(hookup.gate_output)
        self._note_bias(condition, biaser, reading, steps)
        station = ChannelStation(
            biaser, self._bench.bench.file, condition.supply_voltage_v, self._clock, self._walls, self._thermometer
        )
        for measurement, block in enumerate(self._plan.measurements):
            for ladder in block.ladders():
                self._measure_ladder(condition, measurement, block, ladder, station, hookup)
        station.rest()
        reading = biaser.read()
        biaser.bias_down()
        self._note_bias(condition, biaser, reading, 0)

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
            "attempt": 1,
            "channel": condition.channel,
            "temperature_set_degc": temperature,
            "supply_voltage_set_v": condition.supply_voltage_v,
        }
        self._serial += 1
        start_s = self._clock.now()
        points, status, reason = 0, "torn", ""
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
                self._points += 1
                points += 1
                self._progress.point(self._points, self._spared)
        except BaseException as error:
            reason = " ".join(str(error).split())[:96]
            raise
        finally:
            self._spared += max(0, planned - points)
            append(
                "ladders",
                {
                    **where,
                    "frequency_hz": ladder.frequency_hz,
                    "start_s": start_s,
                    "end_s": self._clock.now(),
                    "points": points,
                    "status": status,
                    "stop_reason": reason,
                },
            )
        if block.needs_drive:
            station.rest()
        for instrument in (hookup.source, hookup.meter, hookup.drain, hookup.gate):
            if instrument is not None:
                instrument.check_errors()

    def _note_bias(self, condition: Condition, biaser: Biaser, reading: BiasReading, steps: int) -> None:
        self._sink.append(
            "bias",
            {
                "time_s": self._clock.now(),
                "channel": condition.channel,
                "temperature_set_degc": math.nan if condition.temperature_degc is None else condition.temperature_degc,
                "supply_voltage_set_v": condition.supply_voltage_v,
                "state": biaser.state.value,
                **vars(reading),
                "steps": steps,
            },
        )
