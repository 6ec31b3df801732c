"""
How often the truth lies inside the reported uncertainty, over randomly drawn benches and parts.

    python -m tests.benchmarks.coverage [N] [--first SEED] [--keep FILE.csv] [--out PAGE.html]
    python -m tests.benchmarks.coverage --table FILE.csv [FILE.csv ...] [--out PAGE.html]

Each draw has a seed of its own and a unit of its own. Of the bench every limit of error that its file states is drawn, anywhere
within it equally likely (`twin: {errors: as stated}`): levels, readings, linearity, zero, drift, mismatch; the expanded
uncertainty of a path's table as a normal of half of it; noise as stated. A short rehearsal measures the paths, a thru,
S-parameters after a calibration, quiescent bias, compression at two frequencies, harmonics and the strongest spurious line, and
two tones up to the fifth order, at two temperatures; each reported number is held against the twin's true value. From draw to
draw channel, calibration (SOLT, TRL), and fixtures around the part (whose files are off by what is stated) alternate.

U is k = 2: about 95 % are promised, 93 % overall must be there. Where one rectangular limit is nearly all of a budget (a source's
level, a supply's reading), k = 2 reaches beyond the limit itself (2 / sqrt 3), and every number is inside. An error of 0.5 U rms
is just right.

With --keep, numbers are added to a file draw by draw, so that draws may be made in pieces (and seeds already there are not made
again); --table sums up such files. --out writes the table as a page.
"""

from __future__ import annotations

import argparse
import csv
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.benchmarks.coverage_draw import FULL, Inside, one_draw, stated_bench
from tests.benchmarks.coverage_page import seeds_text, write_page
from tests.benchmarks.coverage_table import PROMISE, summed_up, table

__all__ = ["FULL", "PROMISE", "Inside", "one_draw", "stated_bench", "table"]


def main() -> int:
    """Print the table; 1 when the promise is not kept."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.coverage")
    parser.add_argument("draws", type=int, nargs="?", default=200)
    parser.add_argument("--first", type=int, default=1, help="seed of the first draw")
    parser.add_argument("--keep", type=Path, help="CSV to which each draw's numbers are added")
    parser.add_argument("--table", type=Path, nargs="+", help="sum up such files; nothing is drawn")
    parser.add_argument("--out", type=Path, help="page to write (HTML); it must not exist")
    asked = parser.parse_args()
    if asked.out is not None and asked.out.exists():
        parser.error(f"{asked.out} exists; nothing is overwritten: choose another --out, or move it away")
    kept: dict[int, list[Inside]] = {}
    for path in asked.table or ([asked.keep] if asked.keep is not None and asked.keep.exists() else []):
        for seed, number in _read(path):
            kept.setdefault(seed, []).append(number)
    if asked.table is None:
        begun = time.perf_counter()
        wanted = range(asked.first, asked.first + asked.draws)
        for seed in wanted:
            if seed not in kept:
                with tempfile.TemporaryDirectory() as name:
                    kept[seed] = one_draw(seed, Path(name))
                if asked.keep is not None:
                    _add(asked.keep, seed, kept[seed])
        kept = {seed: kept[seed] for seed in wanted}
        print(f"{asked.draws} draws in {time.perf_counter() - begun:.0f} s")
    found = summed_up(number for seed in sorted(kept) for number in kept[seed])
    print("\n".join(table(found)))
    print(f"{len(kept)} draws: seeds {seeds_text(sorted(kept))}")
    if asked.out is not None:
        print(f"page: {write_page(found, sorted(kept), asked.out)}")
    return 0 if found.share >= PROMISE else 1


def _add(path: Path, seed: int, numbers: list[Inside]) -> None:
    with path.open("a", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows((seed, kind, name, *map(repr, values)) for kind, name, *values in numbers)


def _read(path: Path) -> Iterator[tuple[int, Inside]]:
    with path.open(encoding="utf-8", newline="") as file:
        for seed, kind, name, value, true, expanded in csv.reader(file):
            yield int(seed), Inside(kind, name, float(value), float(true), float(expanded))


if __name__ == "__main__":
    sys.exit(main())
