"""Who is on the bench: every instrument opened and asked by itself, so that one that is missing hides no other."""

from __future__ import annotations

from benchkit.bench.load import Bench
from benchkit.bench.open import IdentityRow, open_bench
from benchkit.clock import Clock
from benchkit.errors import BenchkitError

__all__ = ["identify_bench"]


def identify_bench(bench: Bench, clock: Clock) -> list[IdentityRow]:
    """One row for each instrument of the bench file, in its order; nothing is switched or set."""
    rows: list[IdentityRow] = []
    for name, settings in bench.file.instruments.items():
        try:
            opened = open_bench(bench, clock, only=(name,))
        except BenchkitError as error:
            rows.append(IdentityRow(name, settings.role, settings.address, trouble=str(error)))
            continue
        try:
            rows.extend(opened.identify())
        finally:
            opened.release()
    return rows
