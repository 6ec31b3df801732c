"""
Nights with transient faults, singly and three at once, at random moments: does each complete, or end safe and resumable?

    python -m tests.benchmarks.week_of_nights [NIGHTS] [SEED]

Every other night has three. Units and seeds of the twin change from night to night, and every night is held against the same
night without faults: no number may be further from it than its uncertainty. What did not complete is resumed, and must complete
then. Prints a line for each broken promise and a table; exit code 1 if there is one. Promise: none broken; faults that are no
more than a moment's trouble complete without a person.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from benchkit.campaign.resume import plan_resume
from benchkit.errors import LinkError
from benchkit.plan.files import load_both
from tests.recover.nights import Undisturbed, draw, night, undisturbed
from tests.scenario import SHORT

UNITS = ("L07-W1-01", "L07-W2-05", "L07-W3-09")


def main(nights: int = 42, seed: int = 1) -> int:
    rng = random.Random(seed)
    sequence, bench = load_both(SHORT, None)
    known: dict[tuple[str, int], Undisturbed] = {}
    counts: Counter[str] = Counter()
    ended: Counter[str] = Counter()
    broken = 0
    begun_s = time.monotonic()
    for number in range(nights):
        unit, twin_seed, many = UNITS[number % len(UNITS)], 1 + number // 6, 3 if number % 2 else 1
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            if (unit, twin_seed) not in known:
                known[unit, twin_seed] = undisturbed(sequence, bench, folder, unit=unit, seed=twin_seed)
            truth = known[unit, twin_seed]
            faults = draw(rng, many, truth.messages)
            try:
                found = night(sequence, bench, faults, truth, folder, unit=unit, seed=twin_seed)
            except LinkError:
                # Asking who is there found somebody silent: refused with nothing energised, the person still at the bench.
                counts["refused before it began"] += 1
                continue
            failures = list(found.failures)
            counts[f"nights, {many} faults"] += 1
            counts[f"complete, {many} faults"] += found.is_complete
            counts["begun again"] += found.again
            counts["wrong numbers"] += sum(text.startswith("wrong number") for text in failures)
            counts["ledger entries"] += sum(text.startswith("ledger") for text in failures)
            counts["not safe"] += sum(text.startswith("not safe") for text in failures)
            if not found.is_complete:
                ended[found.outcome.message[:100]] += 1
                if (folder / "night.h5").exists():
                    resumed = plan_resume(folder / "night.h5").carry_out()
                    counts["resumed to the end"] += resumed.outcome == "done"
                    if resumed.outcome != "done":
                        failures.append(f"resumed, it ended {resumed.outcome}: {resumed.message}")
        broken += bool(failures)
        for text in failures:
            print(f"night {number}, {', '.join(faults)}: {text}", flush=True)
    print(f"{nights} nights, seed {seed}, {time.monotonic() - begun_s:.0f} s")
    for what, count in counts.items():
        print(f"  {what:24} {count}")
    for message, count in ended.most_common():
        print(f"  ended {count} x: {message}")
    print(f"nights with a broken promise: {broken}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:3])))
