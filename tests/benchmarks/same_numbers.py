"""
Compare two records of one sequence and seed, made by different versions of Python or of libraries.

    python -m tests.benchmarks.same_numbers FIRST.h5 SECOND.h5

Raw readings must be equal bit for bit. Results may differ in their last digits, where a library sums in another order. Exit code
1: they differ by more.
"""

from __future__ import annotations

import sys
from pathlib import Path

import h5py
import numpy as np

# Relative. Libraries of different versions have differed by 5e-15 at most.
RESULTS_WITHIN = 1e-9
COMPUTED = ("results/", "budgets/", "verdicts/", "calibration/")


def numbers(path: Path) -> dict[str, np.ndarray]:
    """Return every numeric dataset by its path."""
    columns: dict[str, np.ndarray] = {}

    def visit(name: str, node: object) -> None:
        if isinstance(node, h5py.Dataset) and node.dtype.kind in "fiu":
            columns[name] = np.asarray(node[()])

    with h5py.File(path) as file:
        file.visititems(visit)
    return columns


def main(first: Path, second: Path) -> int:
    """Print every difference and return the exit code."""
    a, b = numbers(first), numbers(second)
    differ = [f"{name}: in one record only" for name in sorted(a.keys() ^ b.keys())]
    for name in sorted(a.keys() & b.keys()):
        one, other = a[name], b[name]
        if one.shape != other.shape:
            differ.append(f"{name}: {one.shape} and {other.shape}")
        elif name.startswith(COMPUTED):
            if not np.allclose(one, other, rtol=RESULTS_WITHIN, atol=0.0, equal_nan=True):
                differ.append(f"{name}: more than {RESULTS_WITHIN:g} apart")
        elif one.tobytes() != other.tobytes():
            differ.append(f"{name}: not equal bit for bit")
    print(f"{len(a)} numeric columns, {len(differ)} differ")
    print(*(f"  {line}" for line in differ), sep="\n", end="\n" if differ else "")
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), Path(sys.argv[2])))
