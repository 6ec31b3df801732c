"""
A believable record without a bench: the KD14 overnight sequence, its numbers from a few lines of amplifier physics.

Through RecordWriter and the project's own summing up, so that a report sees what it will see in earnest. What the twin gives is
tested with rehearsals; this is for what a rehearsal can't easily give: faults, odd names, many points.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from benchkit.bench.load import load_bench
from benchkit.campaign.summary import judge_results, summarise
from benchkit.clock import VirtualClock
from benchkit.engine.columns import POINTS, streams
from benchkit.engine.uncertainty import Accuracies
from benchkit.plan import Plan, Step, make_plan
from benchkit.record import Record, RecordWriter
from benchkit.results.result import Result
from benchkit.sequence.load import Sequence as LoadedSequence
from benchkit.sequence.load import load_sequence_text

ROOT = Path(__file__).parents[2] / "sequences"
SEQUENCE = (ROOT / "kd14_overnight.yaml").read_text(encoding="utf-8")
# A float that is left out is NaN; a whole number must be given.
WHOLE_NUMBERS = {column.name: 0 for column in POINTS if column.dtype == "i8"}
BENCH = ROOT / "benches" / "kd14.yaml"


@dataclass(frozen=True)
class Sample:
    """
    What a record shall be like.

    Attributes:
        stop_at_point: The run ends here, by `outcome`; None: it goes to its end.
        is_sealed: False: as a killed run leaves it.
        stored_sequence_text: What the record says the sequence was, when that is to differ from what was measured.
        is_summed_up: False: sealed without results, which is quicker.
        gain_db: Small-signal gain at room temperature and mid band. [dB]
    """

    unit: str = "L07-W1-01"
    sequence_text: str = SEQUENCE
    simulated: int | None = 0
    outcome: str = "done"
    message: str = "plan done"
    stop_at_point: int | None = None
    is_sealed: bool = True
    is_summed_up: bool = True
    gain_db: float = 24.2
    part: str = "KD14"
    stored_sequence_text: str | None = None
    attributes: Mapping[str, str | int | float] = field(default_factory=dict)
    instruments: Sequence[Mapping[str, str]] = (
        {"name": "rf_source", "role": "source", "maker": "generic", "model": "S1", "serial": "1001", "firmware": "1.0",
         "options": "", "driver": "scpi-source", "address": "TCPIP0::192.0.2.11::5025::SOCKET", "calibrated": "2025-11-03"},
        {"name": "output_meter", "role": "power meter", "maker": "generic", "model": "M1", "serial": "1002", "firmware": "1.0",
         "options": "", "driver": "scpi-power-meter", "address": "TCPIP0::192.0.2.12::5025::SOCKET", "calibrated": ""},
    )  # fmt: skip


def many_points(text: str, frequencies: int) -> str:
    """The overnight sequence with more frequencies: 186 points each."""
    return re.sub(r"frequency: \{from: 13.75 GHz, to: 14.5 GHz, step: 125 MHz\}",
                  f"frequency: {{from: 13.75 GHz, to: 14.5 GHz, points: {frequencies}}}", text)  # fmt: skip


def write_sample(path: Path, sample: Sample | None = None) -> Path:
    """Write one record; returns its path."""
    sample = sample or Sample()
    sequence = load_sequence_text(sample.sequence_text, "kd14_overnight.yaml")
    bench = load_bench(BENCH)
    plan, clock = make_plan(sequence.file), VirtualClock()
    simulated = {} if sample.simulated is None else {"simulated": sample.simulated}
    writer = RecordWriter.create(
        path,
        streams=streams(plan, 20_000.0),
        clock=clock,
        texts={"sequence": sample.stored_sequence_text or sequence.text, "bench": bench.text},
        files=bench.table_files,
        attributes={
            "unit": sample.unit, "operator": "E. Example", "part": sample.part, "technology": "depletion",
            "sequence_name": sequence.file.sequence, "sequence_file": "kd14_overnight.yaml",
            "bench_name": bench.file.bench, "bench_file": "kd14.yaml", "started_s": clock.now(),
            "planned_points": plan.point_count, "warnings": "", "software": "benchkit 0.1.0\nPython 3.11.0",
            "revision": "0123abc", **simulated, **sample.attributes,
        },
        instruments=sample.instruments,
    )  # fmt: skip
    with writer:
        _Night(writer, plan, bench_accuracies(bench, sequence), bench, sequence, clock, sample).run()
        if sample.is_sealed:
            results = _summed_up(writer, path, sequence) if sample.is_summed_up else []
            writer.finish(sample.outcome, sample.message, results, judge_results(sequence, results))
    return path


def _summed_up(writer: RecordWriter, path: Path, sequence: LoadedSequence) -> list[Result]:
    writer.flush()
    with Record.open(path) as record:
        points, ladders = record.points(), record.ladders()
    # pandas copies these deeply at every slice.
    points.attrs = ladders.attrs = {}
    return summarise(sequence, points, ladders)


def bench_accuracies(bench, sequence: LoadedSequence) -> dict[str, Accuracies]:
    from benchkit.engine.hookup import Hookup

    blank = dict.fromkeys(Hookup.__dataclass_fields__)
    return {name: Accuracies(bench.file, Hookup(**{**blank, "channel": name})) for name in sequence.file.device.channels}


class _Night:
    def __init__(self, writer, plan: Plan, accuracies, bench, sequence, clock: VirtualClock, sample: Sample) -> None:
        self.writer, self.plan, self.accuracies, self.bench = writer, plan, accuracies, bench
        self.sequence, self.clock, self.sample = sequence, clock, sample
        self.points, self.air, self.case = 0, 23.0, 23.0

    def run(self) -> None:
        self.event("prepared", "every instrument in its known, safe state")
        self.event("no protection", "rf_source has no settable level limit", "warning")
        condition, previous = None, None
        for step in self.plan.steps():
            if step.condition != condition:
                if condition is not None:
                    self.bias(condition, "unpowered")
                condition = step.condition
                if condition.temperature_degc != previous:
                    previous = condition.temperature_degc
                    if previous is not None:
                        self.soak(previous)
                self.bias(condition, "biased")
            if not self.ladder(step):
                self.event(self.sample.outcome, self.sample.message, "error")
                break
        else:
            self.bias(condition, "unpowered")
            self.event("done", f"plan done: {self.points} points")
        if self.sample.is_sealed:
            self.event("made safe", "made safe in 0.04 s: RF off, drain off, gate off, each read back")

    def event(self, kind: str, text: str, severity: str = "info") -> None:
        self.writer.append("events", {"time_s": self.clock.now(), "severity": severity, "kind": kind, "text": text})

    def soak(self, target: float) -> None:
        for _ in range(120):
            self.air += max(-1.0, min(1.0, target - self.air))
            self.case += (self.air - self.case) / 12
            self.writer.append(
                "chamber",
                {"time_s": self.clock.now(), "set_degc": target, "air_degc": self.air, "case_degc": self.case},
            )
            self.clock.sleep(20.0)
        self.event("soaked", f"{target:+g} °C reached and soaked")

    def bias(self, condition, state: str) -> None:
        on = state == "biased"
        self.writer.append(
            "bias",
            {
                "time_s": self.clock.now(), "channel": condition.channel, "state": state, "steps": 9 if on else 0,
                "temperature_set_degc": math.nan if condition.temperature_degc is None else condition.temperature_degc,
                "supply_voltage_set_v": condition.supply_voltage_v, "gate_voltage_v": -0.75, "drain_voltage_v": 6.0 * on,
                "drain_current_a": 0.22 * on, "gate_current_a": -1e-5,
            },
        )  # fmt: skip

    def ladder(self, step: Step) -> bool:
        levels = step.ladder.levels_dbm or (math.nan,) * step.block.point_count()
        begun, done = self.clock.now(), 0
        for index, level in enumerate(levels):
            if self.points == self.sample.stop_at_point:
                break
            self.writer.append("points", self.point(step, index, level))
            self.points += 1
            done += 1
            self.clock.sleep(0.06)
        whole = done == len(levels)
        self.writer.append(
            "ladders",
            {
                **self.where(step), "frequency_hz": step.ladder.frequency_hz, "start_s": begun, "end_s": self.clock.now(),
                "points": done, "status": "complete" if whole else "torn", "stop_reason": "" if whole else self.sample.message,
            },
        )  # fmt: skip
        return whole

    def where(self, step: Step) -> dict[str, float | int | str]:
        temperature = step.condition.temperature_degc
        return {
            "ladder": step.serial, "measurement": step.measurement, "attempt": 1, "channel": step.condition.channel,
            "temperature_set_degc": math.nan if temperature is None else temperature,
            "supply_voltage_set_v": step.condition.supply_voltage_v,
        }  # fmt: skip

    def point(self, step: Step, index: int, level_dbm: float) -> dict[str, float | int | str]:
        condition, hz = step.condition, step.ladder.frequency_hz
        temperature = 25.0 if condition.temperature_degc is None else condition.temperature_degc
        second = condition.channel != "A"
        row: dict[str, float | int | str] = {
            **WHOLE_NUMBERS,
            **self.where(step), "point": self.points, "step": index, "time_s": self.clock.now(), "frequency_hz": hz,
            "drain_voltage_v": 5.998, "gate_voltage_v": -0.75 + 0.001 * (temperature - 25) - 0.01 * second,
            "gate_current_a": -1e-5, "case_degc": self.case, "chamber_degc": self.air,
        }  # fmt: skip
        accuracy = self.accuracies[condition.channel]
        current = 0.2195 + 1e-5 * (temperature - 25) + 1e-4 * (index % 3)
        if not math.isnan(level_dbm):
            wiring = self.bench.file.wiring.channels[condition.channel]
            into, out = self.bench.paths[wiring.input.path], self.bench.paths[wiring.output.path]
            noise = 0.004 * math.sin(12.9 * self.points)
            gain = self.sample.gain_db - 0.028 * (temperature - 25) - 0.9 * ((hz - 14.1e9) / 1e9) ** 2 + 0.2 * second
            linear = level_dbm + gain
            saturated = 29.2 - 0.008 * (temperature - 25)
            # C. Rapp's model, p = 2, in power: y = x / (1 + x^2)^(1/2).
            ratio = 10 ** ((linear - saturated) / 10)
            output = linear - 5 * math.log10(1 + ratio**2) + noise
            dc_w = 10 ** (output / 10) / 1e3
            current += 0.045 * ratio**0.7
            efficiency = 100 * dc_w / (6 * current)
            rectified = 0.02 * (10 ** (output / 10)) ** 0.6 * (1 + 4e-4 * (temperature - 25))
            detector = 0.42 + rectified * (1 + 0.001 * math.cos(7.7 * self.points))
            row |= {
                "drive_set_dbm": level_dbm, "source_level_dbm": level_dbm + into.loss_db(hz),
                "output_meter_dbm": output - out.loss_db(hz), "input_loss_db": into.loss_db(hz),
                "output_loss_db": out.loss_db(hz), "input_dbm": level_dbm, "output_dbm": output, "gain_db": output - level_dbm,
                "drain_efficiency_percent": efficiency,
                "pae_percent": efficiency * (1 - 10 ** ((level_dbm - output) / 10)),
                "detector_v": detector, "reference_v": 0.42, "u_detector_v": accuracy.u_detector_v(detector, 0.42),
                "u_input_db": accuracy.u_input_db(into.uncertainty_db(hz)),
                "u_output_db": accuracy.u_output_db(out.uncertainty_db(hz)),
            }  # fmt: skip
        row |= {
            "drain_current_a": current,
            "u_drain_voltage_v": accuracy.u_drain_voltage_v(6.0),
            "u_drain_current_a": accuracy.u_drain_current_a(current),
            "u_gate_voltage_v": accuracy.u_gate_voltage_v(-0.75),
        }
        return row
