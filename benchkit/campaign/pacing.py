"""How long the stages of a run took, from its record: to compare with what was expected, and to expect better the next time."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from benchkit.catalogue import list_folder
from benchkit.engine.device_soak import SOAKING
from benchkit.engine.journalist import Events
from benchkit.errors import BenchkitError, FileError, Mistake
from benchkit.plan import NO_PACE, Estimate, Pace
from benchkit.plan.estimate import BIAS, READ_OFF, WARMING
from benchkit.plan.pace import LadderPace, SoakPace
from benchkit.record import Record
from benchkit.results.result import UNPOWERED_V, supply_text
from benchkit.sequence.load import Sequence as LoadedSequence
from benchkit.sequence.load import load_sequence_text
from benchkit.sequence.model import SequenceFile

__all__ = ["ESTIMATE", "Stage", "estimate_text", "expected_stages", "pace_of", "pace_of_all", "stages_of", "tell_time"]

ESTIMATE = "estimate"
"""Name of the record's text that holds the estimate made before the run."""

UNPOWERED = supply_text(UNPOWERED_V)

# What ends a wait for a condition: only between such moments is time counted as bias up and down.
_MARKS = ("prepared", "soaked", "calibration", "connected", "done before")


@dataclass(frozen=True)
class _Moment:
    time_s: float
    what: str
    text: str


@dataclass(frozen=True)
class Stage:
    """One stage, named as the estimate names it, and its time. [s]"""

    what: str
    time_s: float


def estimate_text(expected: Estimate) -> str:
    """For the record: JSON, a list of {what, time_s, basis}."""
    return json.dumps([{"what": one.what, "time_s": round(one.time_s, 3), "basis": one.basis} for one in expected.stages])


def expected_stages(texts: dict[str, str]) -> list[Stage]:
    """What the record says was expected; empty: it is older than that."""
    return [Stage(str(one["what"]), float(one["time_s"])) for one in json.loads(texts.get(ESTIMATE, "[]"))]


def stages_of(
    sequence: SequenceFile, started_s: float, ladders: pd.DataFrame, bias: pd.DataFrame, events: pd.DataFrame
) -> list[Stage]:
    """
    Every stage that was finished, in the order of time. A ladder's torn attempts count with its measurement.

    Args:
        started_s: When the run began. [s]
    """
    stages: list[Stage] = []
    for kind, what, begin_s, end_s, rows in _stretches(started_s, ladders, bias, events):
        if kind == "soak":
            stages.append(Stage(f"to {what} and soak", end_s - begin_s))
            continue
        spent_s = 0.0
        for measurement, own in rows.groupby("measurement", sort=True):
            time_s = float((own["end_s"] - own["start_s"]).sum())
            spent_s += time_s
            stages.append(Stage(f"{what}: {sequence.measurements[int(str(measurement))].title}", time_s))
        stages.append(Stage(f"{what}{READ_OFF if kind == UNPOWERED else BIAS}", end_s - begin_s - spent_s))
    opened = events[events["kind"].isin(("may be opened", "do not open yet"))]
    done = events[events["kind"] == "done"]
    if len(opened) and len(done):
        waited_s = float(opened["time_s"].iloc[-1]) - float(done["time_s"].iloc[-1])
        if waited_s > 1.0:
            stages.append(Stage(WARMING, waited_s))
    return stages


def tell_time(path: Path, sequence: LoadedSequence, events: Events) -> None:
    """An event of a record whose run has just ended: how long it took, what was expected, and where they differ most."""
    with Record.open(path) as record:
        expected = expected_stages(record.texts)
        started_s = float(record.attributes["started_s"])
        took = stages_of(sequence.file, started_s, record.ladders(), record.bias(), record.events())
    expected_s, took_s = sum(one.time_s for one in expected), sum(one.time_s for one in took)
    if not took or not expected_s > 0:
        return
    apart = f"{(took_s / expected_s - 1) * 100:+.1f} %"
    text = f"the plan's stages took {_minutes(took_s)}; {_minutes(expected_s)} had been expected ({apart})"
    # A condition that is returned to comes again under its name: each stage goes with the next of that name.
    known: dict[str, list[float]] = {}
    for one in expected:
        known.setdefault(one.what, []).append(one.time_s)
    pairs = [(one, known[one.what].pop(0)) for one in took if known.get(one.what)]
    if pairs:
        worst, should_s = max(pairs, key=lambda pair: abs(pair[0].time_s - pair[1]))
        text += f"; farthest off: {worst.what}, {_minutes(worst.time_s)} instead of {_minutes(should_s)}"
    events.note("time", text)


def _minutes(time_s: float) -> str:
    return f"{time_s:.1f} s" if time_s < 120 else f"{time_s / 60:.1f} min"


def pace_of(record: Record, name: str) -> Pace:
    """
    What one record tells.

    Raises:
        FileError: Its sequence is one that this benchkit cannot read.
    """
    sequence = load_sequence_text(record.texts["sequence"], name, Path()).file
    ladders, bias, events = record.ladders(), record.bias(), record.events()
    finished = ladders[ladders["status"].isin(("complete", "stopped"))]
    blocks = []
    for measurement, rows in finished.groupby("measurement", sort=True):
        block = sequence.measurements[int(str(measurement))]
        blocks.append(LadderPace(block, float((rows["end_s"] - rows["start_s"]).mean())))
    started_s = float(record.attributes.get("started_s", math.nan))
    soaks, overheads = [], []
    chamber, settings = record.stream("chamber"), sequence.conditions.temperature
    for kind, what, begin_s, end_s, rows in _stretches(started_s, ladders, bias, events):
        if kind == "bias":
            overheads.append(end_s - begin_s - float((rows["end_s"] - rows["start_s"]).sum()))
        elif kind == "soak" and settings is not None:
            during = chamber[(chamber["time_s"] >= begin_s) & (chamber["time_s"] <= end_s)]
            if len(during):
                target_degc = float(what.removesuffix(" °C"))
                soaks.append(SoakPace(settings.soak, float(during["air_degc"].iloc[0]), target_degc, end_s - begin_s))
    bias_s = (sum(overheads) / len(overheads),) if overheads else ()
    return Pace(tuple(blocks), tuple(soaks), bias_s, (name,))


def pace_of_all(paths: Sequence[Path], bench_name: str, *, simulated: bool | None) -> Pace:
    """
    What records tell of one bench. Of a folder those that can be used are taken; a record named by itself must be one.

    Args:
        simulated: Rehearsals only, or real runs only; None: either.

    Raises:
        FileError: There is nothing at a path, or a record named by itself is of another bench or cannot be read.
    """
    pace = NO_PACE
    for path in paths:
        if path.is_dir():
            for entry in list_folder(path):
                fits = not entry.trouble and entry.state == "sealed" and entry.bench == bench_name
                if fits and simulated in (None, entry.simulated):
                    # One of a folder that does not help is passed over: it is not what was asked for by name.
                    pace += _pace_or_none(path / entry.file)
            continue
        if not path.is_file():
            raise _mistake(path, "there is no such record or folder")
        with Record.open(path) as record:
            own_name = str(record.attributes.get("bench_name", ""))
            if own_name != bench_name:
                raise _mistake(path, f"is a record of {own_name!r}, not of {bench_name!r}: its times say nothing of this bench")
            pace += pace_of(record, path.name)
    return pace


def _pace_or_none(path: Path) -> Pace:
    try:
        with Record.open(path) as record:
            return pace_of(record, path.name)
    except BenchkitError:
        return NO_PACE


def _mistake(path: Path, message: str) -> FileError:
    return FileError([Mistake(str(path), None, "--earlier", message)])


def _stretches(
    started_s: float, ladders: pd.DataFrame, bias: pd.DataFrame, events: pd.DataFrame
) -> Iterator[tuple[str, str, float, float, pd.DataFrame]]:
    """
    Kind ("soak", "bias" or UNPOWERED), what, begin, end [s], and ladders of one condition. A condition lasts from the moment
    before its bias-up to the row that says that the channel is unpowered again; one that was broken off is left out. What is
    measured of the unpowered device ends with a row of its own.
    """
    marks = [
        _Moment(float(time_s), str(kind), str(text))
        for time_s, kind, text in zip(events["time_s"], events["kind"], events["text"], strict=True)
        if kind in _MARKS
    ]
    columns = ("time_s", "state", "channel", "supply_voltage_set_v", "temperature_set_degc")
    marks += [
        _Moment(float(time_s), str(state), _where(str(channel), float(voltage_v), float(temperature_degc)))
        for time_s, state, channel, voltage_v, temperature_degc in zip(*(bias[name] for name in columns), strict=True)
    ]
    begin_s, biased_s, is_soaking = started_s, math.nan, False
    for moment in sorted(marks, key=lambda moment: moment.time_s):
        if moment.what == "biased":
            biased_s = moment.time_s
            continue
        # A device that is biased so that it tells when it has settled belongs to the soak, from the ramp's beginning on.
        if moment.what == SOAKING or (is_soaking and moment.what == "unpowered"):
            is_soaking = moment.what == SOAKING
            continue
        if moment.what == "soaked":
            yield "soak", moment.text.split(" °C", 1)[0] + " °C", begin_s, moment.time_s, ladders.iloc[:0]
        elif moment.text.endswith(f", {UNPOWERED}"):
            own = ladders[(ladders["start_s"] >= begin_s) & (ladders["end_s"] <= moment.time_s)]
            yield UNPOWERED, moment.text, begin_s, moment.time_s, own
        elif moment.what == "unpowered" and not math.isnan(biased_s):
            own = ladders[(ladders["start_s"] >= biased_s) & (ladders["end_s"] <= moment.time_s)]
            yield "bias", moment.text, begin_s, moment.time_s, own
        begin_s, biased_s = moment.time_s, math.nan


def _where(channel: str, voltage_v: float, temperature_degc: float) -> str:
    temperature = "" if math.isnan(temperature_degc) else f"{temperature_degc:+g} °C, "
    return f"{temperature}channel {channel}, {supply_text(voltage_v)}"
