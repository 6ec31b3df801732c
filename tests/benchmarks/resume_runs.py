"""
`kill -9` of a run on the served twin at random instants, then `benchkit resume`: is the record as if nothing had happened?

    python -m tests.benchmarks.resume_runs [INSTANTS] [SEED]

Every third is killed once more while it goes on. Each record must keep every acknowledged row as it was, have every ladder
finished once, and agree with an undisturbed run of the same unit. Prints a line for each that does not, and a table at the
end; exit code 1 if one did not. Promise: 0 of 200; that takes about an hour.
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

from benchkit.campaign.compare import compare_files
from benchkit.record.journal import journal_path
from tests.campaign.going_on import Command, acknowledged, resume_command, run_command, troubles, two_conditions
from tests.scenario import served_twin

LADDERS = 4
LATEST_S, TWICE_EVERY = 6.0, 3
ACCEPT = ("--accept",)  # a checkout may be worked on while this runs

Rows = dict[str, pd.DataFrame]


def kill_at(command: Command, after_s: float, record: Path) -> Rows | None:
    """What was acknowledged; None: there was no record yet."""
    command.wait_until("channel A")  # or its end
    time.sleep(after_s)
    command.kill()
    return acknowledged(record) if record.exists() and (journal_path(record).exists() or record.stat().st_size) else None


def main(instants: int = 200, seed: int = 1) -> int:
    rng = random.Random(seed)
    broken = without = points = torn = parts = disagreeing = judged = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sequence = two_conditions(folder)
        with served_twin(folder) as twin:
            undisturbed = folder / "undisturbed.h5"
            run_command(folder, sequence, twin.bench, undisturbed).finish()
            for number in range(instants):
                record = folder / f"{number}.h5"
                seen = [kill_at(run_command(folder, sequence, twin.bench, record), rng.uniform(0.0, LATEST_S), record)]
                if seen[0] is None:
                    without += 1
                    continue
                if number % TWICE_EVERY == 0:
                    seen.append(kill_at(resume_command(folder, record, *ACCEPT), rng.uniform(0.0, LATEST_S), record))
                last = resume_command(folder, record, *ACCEPT)
                told = last.finish()
                found = [text for rows in seen if rows is not None for text in troubles(record, rows, LADDERS)]
                comparison = compare_files(undisturbed, record)
                found += [str(row) for row in comparison.disagreements] if not comparison.agrees else []
                found += [f"not there: {result.parameter}" for result in comparison.only_first]
                if last.process.returncode not in (0, 1):
                    found.append(f"exit code {last.process.returncode}: {told}")
                rows = acknowledged(record)
                points += len(rows["points"])
                torn += int((rows["ladders"]["status"] == "torn").sum())
                parts += int((rows["events"]["kind"] == "resumed").sum())
                judged += len(comparison.judged)
                disagreeing += len(comparison.disagreements)
                broken += bool(found)
                for text in dict.fromkeys(found):
                    print(f"instant {number}: {text}", flush=True)
                record.unlink()
            twin.stop()
            ledger = twin.ledger()
    print(f"instants                   {instants}, {without} of them before there was a record")
    print(f"resumptions                {parts}")
    print(f"points                     {points}, in {torn} torn attempts kept")
    print(f"results                    {judged} compared, {disagreeing} with |En| > 1 (chance allows 5 of 100)")
    print(f"ledger                     {len(ledger)} entries")
    print(f"promises broken            {broken} records")
    return 1 if broken or ledger else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
