"""
Run as a script: for each line "PATH ROWS" on its standard input, a child process that appends to that record and tells
each row's number on its standard output as soon as it is acknowledged; sealed after ROWS rows. The test kills the
children.

One process that forks, because importing everything takes a second and a kill takes none. It has no threads before it
forks.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

from benchkit.clock import VirtualClock
from benchkit.record import RecordWriter
from tests.record.samples import event, point, streams


def live(path: Path, rows: int) -> None:
    options = {"clock": VirtualClock(), "flush_interval_s": 0.002, "sync_interval_s": 0.01}
    if path.with_name(path.name + ".journal").exists():
        run = RecordWriter.resume(path, **options)  # type: ignore[arg-type]
    else:
        run = RecordWriter.create(path, streams=streams(50), **options)  # type: ignore[arg-type]
    os.write(1, b"began\n")
    for number in range(run.rows("points"), rows):
        run.append("points", point(number))
        os.write(1, f"{number}\n".encode())
        if number % 7 == 0:
            run.append("events", event(run.rows("events")))
    os.write(1, b"sealing\n")
    run.finish("done", "")
    os.write(1, b"sealed\n")


def main() -> None:
    for line in sys.stdin:
        path, rows = line.rsplit(" ", 1)
        child = os.fork()
        if child == 0:
            live(Path(path), int(rows))
            os._exit(0)
        os.write(1, f"pid {child}\n".encode())
        os.waitpid(child, 0)
        os.write(1, b"over\n")


if __name__ == "__main__":
    main()
