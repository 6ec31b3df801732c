"""
The proof before power: with every uncertainty at its worst, no command of the plan passes a limit of device or bench.

Worst case means limits of error and expanded uncertainties added up, not combined: a part is not protected by statistics.
A proof that fails, or that cannot be made because a rating is missing, is a mistake at the line that would have to change.
"""

from __future__ import annotations

from dataclasses import dataclass

from benchkit.bench.load import Bench
from benchkit.envelope.chamber import prove_temperatures
from benchkit.envelope.drain import prove_drains
from benchkit.envelope.gate import prove_gates
from benchkit.envelope.margins import Findings, Margin
from benchkit.envelope.network import prove_network
from benchkit.envelope.order import order_of_operations
from benchkit.envelope.power_before import prove_power_before
from benchkit.envelope.protections import Protection
from benchkit.envelope.rf import prove_rf
from benchkit.envelope.rf_walls import prove_level_limits
from benchkit.envelope.spectrum import prove_spectrum
from benchkit.envelope.tones import prove_tones
from benchkit.envelope.wiring import prove_wiring
from benchkit.errors import ProofError
from benchkit.plan.plan import Plan, make_plan
from benchkit.sequence.load import Sequence

__all__ = ["Envelope", "prove"]


@dataclass(frozen=True)
class Envelope:
    """
    What was proved.

    Attributes:
        margins: The smallest margin found for each quantity at each plane.
        protections: What is set in the instruments, each inside the device's limits and within what the instrument takes.
        order: What the plan's structure promises about the order of operations.
        not_proved: What the files say too little about.
        warnings: What is harmless but worth reading (an instrument declared to have no protection, for one).
    """

    plan: Plan
    margins: tuple[Margin, ...]
    protections: tuple[Protection, ...]
    order: tuple[str, ...]
    not_proved: tuple[str, ...]
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
    protections: list[Protection] = []
    if not findings.mistakes:
        protections += prove_drains(plan, findings)
        protections += prove_gates(plan, findings)
        protections += prove_temperatures(findings)
        reaches = [*prove_power_before(plan, findings), *prove_rf(plan, findings), *prove_tones(plan, findings)]
        protections += prove_level_limits(reaches, findings)
        prove_network(plan, findings)
        prove_spectrum(plan, findings)
    if findings.mistakes:
        raise ProofError(findings.mistakes)
    for block in plan.measurements:
        for doubt in block.doubts(plan.measurements):
            findings.warn(f"{block.title}: {doubt}")
    return Envelope(
        plan,
        tuple(findings.margins.values()),
        tuple(protections),
        order_of_operations(plan, findings),
        tuple(findings.not_proved),
        tuple(findings.warnings),
    )
