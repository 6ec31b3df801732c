"""What the proof collects: margins, mistakes, warnings."""

from __future__ import annotations

from dataclasses import dataclass, field

from benchkit.bench.load import Bench
from benchkit.errors import Mistake
from benchkit.sequence.load import Sequence

__all__ = ["Findings", "Margin"]


@dataclass(frozen=True)
class Margin:
    """
    How far the worst case stays from one limit.

    Attributes:
        plane: Where, e.g. "device input, channel A".
        quantity: What, e.g. "level".
        worst: Worst case, in `unit`.
        limit: In `unit`.
        margin: Distance to the limit, never negative in a proof that was accepted. [unit, or dB for dBm]
        where: Point of the plan with the smallest margin, e.g. "compression, 14.125 GHz".
        source: File and key of the limit.
    """

    plane: str
    quantity: str
    worst: float
    limit: float
    margin: float
    unit: str
    where: str
    source: str


@dataclass
class Findings:
    """Collects; the proof is accepted when `mistakes` stays empty."""

    sequence: Sequence
    bench: Bench
    margins: dict[tuple[str, str], Margin] = field(default_factory=dict)
    mistakes: list[Mistake] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def warn(self, text: str) -> None:
        if text not in self.warnings:
            self.warnings.append(text)

    def in_sequence(self, key: str, message: str) -> None:
        self._mistake(self.sequence.mistake(key, message))

    def in_bench(self, key: str, message: str) -> None:
        self._mistake(self.bench.mistake(key, message))

    def _mistake(self, mistake: Mistake) -> None:
        if mistake not in self.mistakes:
            self.mistakes.append(mistake)

    def sequence_source(self, key: str) -> str:
        return f"{self.sequence.path.name}: {key}"

    def bench_source(self, key: str) -> str:
        return f"{self.bench.path.name}: {key}"

    def not_above(
        self, plane: str, quantity: str, worst: float, limit: float, unit: str, *, where: str, source: str
    ) -> bool:
        """Note the margin of `worst` below `limit`; True when it holds. NaN never holds."""
        return self._note(plane, quantity, worst, limit, limit - worst, unit, where, source)

    def not_below(
        self, plane: str, quantity: str, worst: float, limit: float, unit: str, *, where: str, source: str
    ) -> bool:
        """Note the margin of `worst` above `limit`; True when it holds. NaN never holds."""
        return self._note(plane, quantity, worst, limit, worst - limit, unit, where, source)

    def _note(
        self,
        plane: str,
        quantity: str,
        worst: float,
        limit: float,
        margin: float,
        unit: str,
        where: str,
        source: str,
    ) -> bool:
        present = self.margins.get((plane, quantity))
        if present is None or not present.margin <= margin:
            self.margins[plane, quantity] = Margin(
                plane, quantity, worst, limit, margin, "dB" if unit == "dBm" else unit, where, source
            )
        # Sums of decimal fractions miss their exact value by some 1e-15: a limit that is met exactly is met.
        return margin >= -1e-9
