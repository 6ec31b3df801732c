"""
What a record costs: `python -m tests.benchmarks.record_cost [--rows 1000000] [--kills 200]`.

Promises: <= 1 ms per point with every point journalled; a million points open as a DataFrame within 1.5 x of bare h5py;
no acknowledged point lost in 200 `kill -9`. Times are the median of several runs on a disk that others may use; ratios
mean more than times.
"""

from __future__ import annotations

import argparse
import random
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pandas as pd

from benchkit.clock import WallClock
from benchkit.measurements.base import Column
from benchkit.record import TIME_UNITS, Record, RecordWriter, StreamSpec, recover

COLUMNS = (
    Column("point", "1", "serial number", "i8"),
    Column("channel", "", "channel", "S8"),
    Column("time_s", TIME_UNITS, "when"),
    *(Column(f"reading_{number:02d}_v", "V", "a reading", plane="drain pin") for number in range(37)),
)


def row(number: int) -> dict[str, float | int | str]:
    readings: dict[str, float | int | str] = {f"reading_{i:02d}_v": number / (i + 1) for i in range(37)}
    return {"point": number, "channel": "AB"[number % 2], "time_s": number / 10, **readings}


def create(path: Path, rows: int) -> RecordWriter:
    return RecordWriter.create(path, streams=[StreamSpec("points", COLUMNS, rows)], clock=WallClock())


def cost_per_append(folder: Path, rows: int = 20_000) -> None:
    """As fast as it goes, and the 1 ms promise's own case: every point journalled and then waited for."""
    run = create(folder / "append.h5", rows)
    sample = row(1)
    times = np.empty(rows)
    for number in range(rows):
        sample["point"] = number
        begun = time.perf_counter()
        run.append("points", sample)
        times[number] = time.perf_counter() - begun
    run.abandon()
    median, p99, worst = (float(np.quantile(times, q)) * 1e6 for q in (0.5, 0.99, 1.0))
    print(f"append, 40 columns, journalled: median {median:.1f} us, 99 % {p99:.1f} us, worst {worst:.0f} us, "
          f"mean {times.mean() * 1e6:.1f} us  (promise: <= 1000 us)")  # fmt: skip


def bare(path: Path) -> pd.DataFrame:
    """As the README shows it to somebody without benchkit."""
    with h5py.File(path, "r") as h5:
        group = h5["points"]
        return pd.DataFrame({column.name: group[column.name][:] for column in COLUMNS})


def ours(path: Path) -> pd.DataFrame:
    with Record.open(path) as record:
        return record.points()


def median_s(call: Callable[[Path], pd.DataFrame], path: Path, runs: int = 5) -> float:
    times = []
    for _ in range(runs):
        begun = time.perf_counter()
        call(path)
        times.append(time.perf_counter() - begun)
    return statistics.median(times)


def cost_of_reading(folder: Path, rows: int) -> None:
    path = folder / "read.h5"
    run = create(path, rows)
    begun = time.perf_counter()
    samples = [row(number) for number in range(1000)]
    for number in range(rows):
        run.append("points", samples[number % 1000])
    run.flush()
    wrote = time.perf_counter()
    print(f"{rows} rows appended and flushed: {(wrote - begun) / rows * 1e6:.1f} us a row")
    running = median_s(ours, path, 3)
    run.abandon()
    begun = time.perf_counter()
    recover(path)
    print(f"recovered, every row compared: {time.perf_counter() - begun:.2f} s")
    run = RecordWriter.resume(path, clock=WallClock())
    begun = time.perf_counter()
    run.finish("done", "")
    print(f"sealed: {time.perf_counter() - begun:.2f} s, {path.stat().st_size / 1e6:.0f} MB")
    bare(path), ours(path)  # warm
    turns = [(median_s(bare, path, 1), median_s(ours, path, 1)) for _ in range(9)]  # in turn: whatever else runs disturbs both
    theirs, mine = (statistics.median(times) for times in zip(*turns, strict=True))
    print(f"{rows} points as a DataFrame: {mine:.3f} s, bare h5py {theirs:.3f} s, ratio {mine / theirs:.2f} (promise: <= 1.5); "
          f"while running {running:.3f} s")  # fmt: skip


def kills(folder: Path, count: int) -> None:
    from tests.record.samples import assert_events, assert_points
    from tests.record.test_record_kill import Victims

    victims, random_, lost = Victims(), random.Random(), 0
    lives = 0
    while lives < count:
        path = folder / f"kill{lives}.h5"
        acknowledged = -1
        for _ in range(min(10, count - lives)):
            lives += 1
            acknowledged = max(acknowledged, victims.run(path, random_.randint(1, 600)))
            with h5py.File(path, "r") as h5:
                assert h5["status/points_rows"][()] <= acknowledged + 2
            with Record.open(path) as record:
                lost += max(0, acknowledged + 1 - assert_points(record.points()))
                assert_events(record.events())
    victims.close()
    print(f"{lives} kills: {lost} acknowledged points lost; every file opened with plain h5py")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rows", type=int, default=1_000_000)
    parser.add_argument("--kills", type=int, default=0)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        cost_per_append(Path(folder))
        cost_of_reading(Path(folder), given.rows)
        if given.kills:
            kills(Path(folder), given.kills)


if __name__ == "__main__":
    main()
