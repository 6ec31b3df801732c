"""Which faults can be drilled on a bench: those of this computer, and those that the simulated bench says it has."""

from __future__ import annotations

import difflib
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.metadata import entry_points

from benchkit.bench.load import Bench
from benchkit.campaign.faults import COMPUTER_FAULTS
from benchkit.errors import MisuseError
from benchkit.fault_text import fault_mistake

__all__ = ["GROUP", "Offer", "chosen", "offers"]

GROUP = "benchkit.drills"
"""Entry points: a callable (bench) -> rows of name, what happens, instruments it can be in (the usual one first)."""


@dataclass(frozen=True)
class Offer:
    """
    One fault.

    Attributes:
        name: As in NAME@WHEN.
        tells: What happens, for a person.
        instruments: Where it can be; empty: it is not a fault of an instrument.
        is_of_bench: Else of this computer.
    """

    name: str
    tells: str
    instruments: tuple[str, ...]
    is_of_bench: bool


def offers(bench: Bench, library: str = "twin") -> list[Offer]:
    """
    Every fault there is for `bench`.

    Raises:
        MisuseError: The simulated bench is not installed, so there is nobody to have them.
    """
    point = next((point for point in entry_points(group=GROUP) if point.name == library), None)
    if point is None:
        raise MisuseError(f"no simulated bench {library!r} that has faults: nothing in the entry-point group {GROUP!r}")
    found = [Offer(name, tells, tuple(instruments), True) for name, tells, instruments in point.load()(bench)]
    return [*found, *(Offer(name, tells, (), False) for name, tells in COMPUTER_FAULTS.items())]


def chosen(found: Sequence[Offer], names: Sequence[str]) -> list[Offer]:
    """
    Those named, in the order of the table; all when none is.

    Raises:
        FileError: A name there is not.
    """
    known = [offer.name for offer in found]
    for name in names:
        if name not in known:
            close = difflib.get_close_matches(name, known, n=1)
            hint = f"did you mean {close[0]}? " if close else ""
            raise fault_mistake(name, f"there is no such fault; {hint}there are {', '.join(known)}")
    return [offer for offer in found if not names or offer.name in names]
