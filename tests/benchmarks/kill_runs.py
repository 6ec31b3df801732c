"""
`kill -9` of a run on the served twin at random instants: is the device safe within 2 s, each time?

    python -m tests.benchmarks.kill_runs [KILLS] [SEED]

Prints a line for each kill that broke a promise, and a table at the end; exit code 1 if one did. 200 kills take about
20 minutes. Promise: 0 of 200.
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

import numpy as np

from tests.drills.kills import Kill, Outputs, kill_once
from tests.scenario import SHORT, changed, served_twin

LATEST_S = 4.0
# Every so many, counted from the start of the process: proof, opening, guardian not yet there.
FROM_START_EVERY, START_LATEST_S = 8, 3.0


def main(kills: int = 200, seed: int = 1) -> int:
    rng = random.Random(seed)
    found: list[Kill] = []
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sequence = changed(
            SHORT, folder, ("{from: -12 dBm, to: 9 dBm, step: 1 dB}", "{from: -12 dBm, to: 8 dBm, step: 0.1 dB}")
        )
        with served_twin(folder) as twin:
            outputs = Outputs(twin.bench)
            for number in range(kills):
                from_power = number % FROM_START_EVERY != 0
                after_s = rng.uniform(0.0, LATEST_S if from_power else START_LATEST_S)
                kill = kill_once(twin, outputs, sequence, folder / f"{number}.h5", after_s, from_power=from_power)
                found.append(kill)
                for trouble in kill.broken:
                    print(f"kill {number}, {kill.after_s:.3f} s after the start: {trouble}", flush=True)
            outputs.close()
            twin.stop()
            ledger = twin.ledger()
    powered = [kill for kill in found if kill.was_on]
    times = np.array([kill.safe_s for kill in powered]) if powered else np.array([np.nan])
    broken = sum(bool(kill.broken) for kill in found)
    print(f"kills                      {len(found)}")
    print(f"  with RF or a drain on    {len(powered)}")
    print(f"nothing on any more        median {np.median(times):.2f} s, longest {np.max(times):.2f} s after the kill")
    print(f"guardian's account         {sum(kill.account is not None for kill in powered)} of {len(powered)}")
    print(f"processes left over        {sum(kill.left_over for kill in found)}")
    opened, points = sum(kill.points is not None for kill in found), sum(kill.points or 0 for kill in found)
    trouble = sum(bool(kill.trouble) for kill in found)
    print(f"records                    {opened} opened, {points} points, {trouble} with trouble")
    print(f"ledger                     {len(ledger)} entries")
    for entry in ledger:
        print(f"  {entry['what']}: {entry['detail']}")
    print(f"promises broken            {broken} kills")
    return 1 if broken or ledger else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
