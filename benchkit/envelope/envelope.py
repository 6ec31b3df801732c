"""
The proof before power: with every uncertainty at its worst, no command of the plan passes a limit of device or bench.

Worst case means limits of error and expanded uncertainties added up, not combined: a part is not protected by statistics.
A proof that fails, or that cannot be made, is a mistake at the line that would have to change.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.bench.load import Bench
from benchkit.envelope.chamber import prove_temperatures
from benchkit.envelope.dc import prove_dc
from benchkit.envelope.margins import Findings, Margin
from benchkit.envelope.rf import prove_rf
from benchkit.envelope.wiring import prove_wiring
from benchkit.errors import ProofError
from benchkit.plan.plan import Plan, make_plan
from benchkit.sequence.load import Sequence

__all__ = ["Envelope", "Margin", "prove"]


@dataclass(frozen=True)
class Envelope:
    """
    What was proved.

    Attributes:
        margins: The smallest margin found for each quantity at each plane.
        warnings: What is harmless but worth reading (an instrument declared to have no protection, for one).
    """

    plan: Plan
    margins: tuple[Margin, ...]
    warnings: tuple[str, ...]


def prove(sequence: Sequence, bench: Bench) -> Envelope:
    """
    Prove the whole plan harmless on this bench.

    Raises:
        ProofError: With every line that stands in the way.
    """
    plan = make_plan(sequence.file)
    findings = Findings(sequence, bench)
    prove_wiring(plan, findings)
    if not findings.mistakes:
        prove_dc(plan, findings)
        prove_temperatures(findings)
        prove_rf(plan, findings)
    if findings.mistakes:
        raise ProofError(findings.mistakes)
    return Envelope(plan, tuple(findings.margins.values()), tuple(findings.warnings))
