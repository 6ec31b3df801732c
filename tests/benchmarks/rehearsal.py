"""
Rehearsal of a night of 30,000 points, record and report included, against the bench time it stands for.

    python -m tests.benchmarks.rehearsal [POINTS]

Prints seconds, microseconds a point and the ratio of bench time to real time. Promise: 30 s on two cores for 30,000 points.
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import benchkit
from benchkit.report import write_report
from tests.scenario import BENCH, OVERNIGHT, changed


def main(points: int = 30_000) -> None:
    """Six conditions, as many frequencies as it takes, ladders of 116 levels that all go to their end."""
    levels = 117
    frequencies = max(2, round(points / 6 / levels))
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sequence = changed(
            OVERNIGHT, folder,
            ("{from: 13.75 GHz, to: 14.5 GHz, step: 125 MHz}", f"{{from: 13.75 GHz, to: 14.5 GHz, points: {frequencies}}}"),
            ("{from: -20 dBm, to: 9 dBm, step: 1 dB}", "{from: -20 dBm, to: 9 dBm, step: 0.25 dB}"),
        )  # fmt: skip
        record, report = folder / "night.h5", folder / "night.html"
        begun = time.perf_counter()
        outcome = benchkit.rehearse(sequence, record, bench=BENCH)
        rehearsed = time.perf_counter()
        write_report([record], report)
        reported = time.perf_counter()
        with benchkit.open_record(record) as opened:
            count = len(opened.points())
            events = opened.events()
        bench_s = float(events["time_s"].iloc[-1] - events["time_s"].iloc[0])
        print(f"outcome            {outcome.outcome}, {count} points, record {record.stat().st_size / 1e6:.1f} MB, "
              f"report {report.stat().st_size / 1e6:.1f} MB")  # fmt: skip
        print(f"bench time         {bench_s / 3600:.2f} h")
        print(f"rehearsal, record  {rehearsed - begun:.1f} s = {(rehearsed - begun) / count * 1e6:.0f} us a point")
        print(f"report             {reported - rehearsed:.1f} s")
        print(f"in all             {reported - begun:.1f} s, {bench_s / (reported - begun):.0f} times faster than the bench")


if __name__ == "__main__":
    main(*(int(argument) for argument in sys.argv[1:]))
