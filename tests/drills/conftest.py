"""The short sequence on the KD14 bench, and one drill of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from benchkit.bench.load import Bench
from benchkit.drill import Row, carry_out
from benchkit.drill.moments import Reference
from benchkit.drill.one import take_reference
from benchkit.fault_text import parse_fault
from benchkit.plan.files import load_both
from benchkit.sequence.load import Sequence
from tests.scenario import SHORT

Drill = Callable[[str], Row]


@pytest.fixture(scope="session")
def short() -> tuple[Sequence, Bench]:
    return load_both(SHORT, None)


@pytest.fixture(scope="session")
def reference(short: tuple[Sequence, Bench], tmp_path_factory: pytest.TempPathFactory) -> Reference:
    return take_reference(*short, tmp_path_factory.mktemp("reference"), "L07-W1-01", 1)


@pytest.fixture
def drill_one(short: tuple[Sequence, Bench], reference: Reference, tmp_path: Path) -> Drill:
    """Carry out one drill of the short sequence, by the fault's text."""
    count = [0]

    def carry(text: str) -> Row:
        count[0] += 1
        folder = tmp_path / str(count[0])
        folder.mkdir()
        return carry_out(*short, parse_fault(text), reference, folder, "L07-W1-01", 1)

    return carry
