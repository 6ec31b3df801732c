"""How it was measured: reference planes and decision rules, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.report.source import Source

__all__ = ["Plane", "decision_rules", "planes"]

@dataclass(frozen=True)
class Plane:
    quantity: str
    plane: str
    how: str


def planes() -> tuple[Plane, ...]:
    """Where each quantity is true and how it comes about."""
    return (
        Plane("Input power", "device input", "level set at the source, less the input path's loss at the frequency"),
        Plane("Output power", "device output", "power meter reading, plus the output path's loss at the frequency"),
        Plane("Gain", "device input to device output", "output power less input power, in dB"),
        Plane("Drain and gate current", "drain pin, gate pin", "read back from the supplies: all along a lead it is one current"),
        Plane(
            "Drain voltage", "supply terminals",
            "read back from the supplies; leads are not corrected for: unless the supply senses at the pin, it is lower there by "
            "what the drain current loses in them",
        ),
        Plane("Gate voltage", "gate pin", "read back from the supplies; the gate's current loses next to nothing in a lead"),
        Plane("DC power", "supply terminals", "drain voltage times current, one channel, all its drains; the gates are left out"),
        Plane("Detector voltage", "detector pin less reference pin", "two voltmeters, read at one time"),
        Plane("Temperature", "chamber air; case", "the chamber's own sensor; a Pt100 on the case (IEC 60751), where fitted"),
    )  # fmt: skip


def decision_rules(sources: Sequence[Source]) -> list[str]:
    """Each decision rule used, in words."""
    words = {
        "simple acceptance": "Simple acceptance (ILAC-G8:09/2019): the value alone decides, guard band w = 0. A value at the "
        "limit is accepted wrongly as often as not.",
        "guard band": "Guard band w = U, k = 2 (ILAC-G8:09/2019): pass, where the value is inside the limit by at least U; "
        "conditional pass, inside by less; conditional fail, outside by no more than U; fail, outside by more. A pass is then "
        "wrong with a probability below 2.5 %. A result without a value or without an uncertainty is not judged.",
    }  # fmt: skip
    rules = dict.fromkeys(judged.verdict.rule for source in sources for judged in source.verdicts)
    return [words.get(rule, rule) for rule in rules]
