"""
Does it slow a run down when somebody watches? `python -m tests.benchmarks.watched [PAIRS]`.

A campaign of 10 h (30,000 points, the chamber's log and all) is written while another process opens the record over and over,
reads all points as a DataFrame and draws one figure. Stretches with and without that
process take turns, so that a noisy machine is as noisy for both. Promise: writing is not slowed by more than 5 %.

Two figures: of a point as a bench makes it (the fastest that the scenario knows takes 40 ms), and of the bare append().
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from benchkit.clock import WallClock
from benchkit.record import RecordWriter, StreamSpec
from tests.benchmarks.record_cost import COLUMNS, row

POINTS, POINT_S = 30_000, 0.040

WATCHER = """
import sys, time
from pathlib import Path
import plotly.graph_objects as go
from benchkit.record import Record
path, count = Path(sys.argv[1]), 0
print("ready", flush=True)
while True:
    with Record.open(path) as record:
        points = record.points()
    go.Figure(go.Scatter(x=points["time_s"], y=points["reading_00_v"])).to_json()
    count += 1
    print(len(points), flush=True)
    time.sleep(1.0)
"""


def stretch(writer: RecordWriter, first: int, count: int, pace_s: float) -> tuple[float, float]:
    """Mean time of a point, and of its append alone. [s]"""
    appending = 0.0
    begun = time.perf_counter()
    for number in range(first, first + count):
        if pace_s:
            time.sleep(pace_s)
        before = time.perf_counter()
        writer.append("points", row(number))
        appending += time.perf_counter() - before
    return (time.perf_counter() - begun) / count, appending / count


def main(pairs: int = 6) -> None:
    with tempfile.TemporaryDirectory() as name:
        path = Path(name) / "ten_hours.h5"
        writer = RecordWriter.create(path, streams=[StreamSpec("points", COLUMNS, POINTS)], clock=WallClock())
        number = 0
        paced: list[float] = []
        bare: list[float] = []
        opened = 0
        for pair in range(pairs):
            found: dict[bool, tuple[float, float]] = {}
            # Turn about, so that a drift of the machine favours neither.
            for watched in (False, True) if pair % 2 else (True, False):
                watcher = None
                if watched:
                    watcher = subprocess.Popen([sys.executable, "-c", WATCHER, str(path)], stdout=subprocess.PIPE, text=True)
                    assert watcher.stdout is not None
                    assert watcher.stdout.readline() == "ready\n"
                point_s, _ = stretch(writer, number, 100, POINT_S)
                _, append_s = stretch(writer, number + 100, 2400, 0.0)
                number += 2500
                found[watched] = (point_s, append_s)
                if watcher is not None:
                    watcher.kill()
                    opened += len(watcher.communicate()[0].splitlines())
            paced.append(found[True][0] / found[False][0])
            bare.append(found[True][1] / found[False][1])
            if number + 5000 > POINTS:
                break
        writer.abandon()
    print(f"record opened and plotted {opened} times while it grew to {number} points")
    print(f"time per point at 40 ms a point, watched / alone: median {statistics.median(paced):.3f}, "
          f"worst {max(paced):.3f}  (promise: <= 1.05)")  # fmt: skip
    print(f"bare append, watched / alone, two cores shared:   median {statistics.median(bare):.3f}, worst {max(bare):.3f}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("pairs", type=int, nargs="?", default=6)
    main(parser.parse_args().pairs)
