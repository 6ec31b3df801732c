"""Records of several units, channels and occasions for the tests of what a report sets side by side."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import pandas as pd

from benchkit.campaign.shortcuts import rehearse
from benchkit.report.source import Judged, Source, Streams
from benchkit.results.result import Result, ResultCondition
from benchkit.results.verdict import Verdict
from tests.scenario import ROOT, SHORT, changed

UNITS = ("L07-W1-01", "L07-W1-02", "L07-W1-03", "L07-W1-04", "L07-W1-05")
SIMULATED = ROOT / "sequences" / "simulated"
FULL = ROOT / "sequences" / "benches" / "kd14_full.yaml"
NETWORK = ROOT / "sequences" / "kd14_s_parameters.yaml"
SWEEP = """  - kind: compression
    name: power sweep
    frequency: [13.75 GHz, 14.125 GHz, 14.5 GHz]
    drive: {from: -12 dBm, to: 9 dBm, step: 1 dB}
    stop:
      compression: 3 dB

"""


def two_channels(folder: Path, unit: str, *changes: tuple[str, str], name: str) -> Path:
    """S-parameters and compression of both channels at room temperature, rehearsed."""
    sequence = changed(
        NETWORK, folder,
        ("[-30 degC, 25 degC, 70 degC]", "[25 degC]"), ("  channels: [A]\n", "  channels: [A, B]\n"),
        ("\ndecision_rule", f"{SWEEP}\ndecision_rule"), *changes, name=f"{name}.yaml",
    )  # fmt: skip
    return rehearse(sequence, folder / f"{name}.h5", bench=FULL, unit=unit, operator="E. Example").record


def die(folder: Path, unit: str) -> Path:
    """The first look at one die, rehearsed."""
    return rehearse(SHORT, folder / f"{unit}.h5", unit=unit, operator="E. Example").record


def source_of(
    unit: str,
    values: Mapping[ResultCondition, float] | float,
    *,
    limits: Sequence[tuple[float, float]] = (),
    plane: str = "device output",
    started_s: float = 0.0,
) -> Source:
    """A record in memory with one P1dB, or one for each condition; held against each of `limits`."""
    by_condition = values if isinstance(values, Mapping) else {ResultCondition(25.0, "A", 6.0, 14e9): values}
    results = tuple(
        Result("p1db", value, "dBm", plane, where, expanded_uncertainty=math.nan, uncertainty_reason="not stated",
               reason="no number" if math.isnan(value) else "", measurement="sweep")
        for where, value in by_condition.items()
    )  # fmt: skip
    # + 0.0: a NaN of its own in each, as a record read from disk has.
    verdicts = tuple(
        Judged(number, place, Verdict("pass", "", "simple acceptance", low + 0.0, high + 0.0, 0.0, 0.0, 1.0))
        for place in range(len(results)) for number, (low, high) in enumerate(limits)
    )  # fmt: skip
    nothing = pd.DataFrame()
    return Source(
        Path(f"{unit}.h5"), unit, {"unit": unit, "part": "KD14", "started_s": started_s}, (),
        Streams(nothing, nothing, nothing, nothing, nothing), results, verdicts, "done", "", True, False, "",
        f"{unit}{started_s}", "", "", "",
    )  # fmt: skip
