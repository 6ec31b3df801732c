"""
Start-up: `benchkit --help`, and checking a sequence of more than a million points.

    python -m tests.benchmarks.startup

Prints whole-process times, bare Python's beside them, and the memory of checking a million points against a thousand.
Promises: `--help` under 0.4 s; a million points checked under 2 s, memory flat.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.scenario import BENCH, OVERNIGHT, changed

RUNS = 5
MEASURE = "import resource, sys; from benchkit.cli.main import main\ntry: main()\nexcept SystemExit: pass\nprint('PEAK', resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"  # noqa: E501 - one script


def seconds(*command: str) -> float:
    """Shortest of a few runs: the rest is the computer's other work. [s]"""
    times = []
    for _ in range(RUNS):
        begun = time.perf_counter()
        subprocess.run([sys.executable, *command], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)
        times.append(time.perf_counter() - begun)
    return min(times)


def peak_mb(sequence: Path) -> float:
    """Peak memory of `benchkit check`; POSIX only. [MB]"""
    done = subprocess.run(
        [sys.executable, "-c", MEASURE, "check", str(sequence), "--bench", str(BENCH)], capture_output=True, text=True, check=True
    )
    return float(done.stdout.rsplit("PEAK", 1)[1]) / 1024


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        small, large = (
            changed(
                OVERNIGHT, Path(name), ("step: 125 MHz", f"points: {frequencies}"),
                ("{from: -20 dBm, to: 9 dBm, step: 1 dB}", f"{{from: -20 dBm, to: 9 dBm, points: {levels}}}"),
                name=f"{frequencies}.yaml",
            )
            for frequencies, levels in ((6, 30), (1000, 200))
        )  # fmt: skip
        bare, helped = seconds("-c", "pass"), seconds("-m", "benchkit", "--help")
        checks = [seconds("-m", "benchkit", "check", str(path), "--bench", str(BENCH)) for path in (small, large)]
        peaks = [peak_mb(path) for path in (small, large)]
    print(f"bare Python                    {bare:.2f} s")
    print(f"benchkit --help                {helped:.2f} s")
    print(f"check, 1,080 points            {checks[0]:.2f} s, {peaks[0]:.0f} MB")
    print(f"check, 1,200,000 points        {checks[1]:.2f} s, {peaks[1]:.0f} MB = {peaks[1] / peaks[0]:.2f} x the memory")


if __name__ == "__main__":
    main()
