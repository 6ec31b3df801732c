"""
What listing a folder of records costs: `python -m tests.benchmarks.catalogue [--files 2000]`.

One rehearsed record, copied. The ratio against opening each as a record says what reading at a glance is worth; the second
listing, what remembering is.
"""

from __future__ import annotations

import argparse
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import benchkit
from benchkit.catalogue import list_folder
from benchkit.record import Record
from tests.scenario import SHORT


def seconds(work: Callable[[], object]) -> float:
    begun_s = time.perf_counter()
    work()
    return time.perf_counter() - begun_s


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--files", type=int, default=2000)
    files = parser.parse_args().files
    with tempfile.TemporaryDirectory() as name:
        os.environ["XDG_CACHE_HOME"] = str(Path(name) / "cache")
        folder = Path(name) / "records"
        folder.mkdir()
        one = benchkit.rehearse(SHORT, Path(name) / "one.h5").record
        for number in range(files):
            shutil.copy(one, folder / f"{number:05d}.h5")

        def open_each(count: int) -> None:
            for path in sorted(folder.glob("*.h5"))[:count]:
                with Record.open(path):
                    pass

        first, again = seconds(lambda: list_folder(folder)), seconds(lambda: list_folder(folder))
        sample = min(files, 100)
        opened = seconds(lambda: open_each(sample)) * files / sample
    print(f"{files} records, first listing {first:.2f} s ({first / files * 1e3:.2f} ms a record), listed again {again:.2f} s")
    print(f"opening each as a record: {opened:.2f} s, {opened / first:.0f} x the first listing (from {sample} of them)")


if __name__ == "__main__":
    main()
