"""The supply outputs at a channel's pins, and reading several of them at one time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from benchkit.roles import Supply

__all__ = ["Pin", "PinReader", "combined"]

# Below this the outputs of a channel carry nothing, and no output's voltage counts more than another's.
CARRIES_A = 1e-3


@dataclass(frozen=True)
class Pin:
    """
    One supply output as wired.

    Attributes:
        label: For messages, e.g. "drain A", or "drain 2 of A" when there are several.
        share: Of the channel's current, 0 to 1; a channel's only drain has all of it. None: not stated.
        voltage_v: A drain's own voltage; None: the condition's. [V]
    """

    supply: Supply
    output: int
    label: str
    share: float | None = None
    voltage_v: float | None = None

    def __str__(self) -> str:
        return f"{self.label} ({self.supply.name} output {self.output})"

    def is_same_output(self, other: Pin) -> bool:
        return self.supply is other.supply and self.output == other.output


class PinReader:
    """Reads some outputs: every supply is armed once and collected once, whatever it feeds."""

    def __init__(self, pins: Sequence[Pin]) -> None:
        groups: dict[int, tuple[Supply, list[int]]] = {}
        for pin in pins:
            _, outputs = groups.setdefault(id(pin.supply), (pin.supply, []))
            if pin.output not in outputs:
                outputs.append(pin.output)
        self._groups = tuple((supply, tuple(outputs)) for supply, outputs in groups.values())
        order = list(groups)
        self._places = tuple((order.index(id(pin.supply)), pin.output) for pin in pins)

    def arm(self) -> None:
        for supply, outputs in self._groups:
            supply.arm(outputs)

    def collect(self) -> list[tuple[float, float]]:
        """Voltage and current of each pin, in their order. [V, A]"""
        found = [supply.collect() for supply, _ in self._groups]
        return [found[group][output] for group, output in self._places]

    def read(self) -> list[tuple[float, float]]:
        self.arm()
        return self.collect()


def combined(values: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """
    Several drains as one: their currents' sum, and the voltage that makes voltage x current their DC power. [V, A]

    Stages at one supply voltage, the usual case, keep that voltage.
    """
    if len(values) == 1:
        return values[0]
    total_a = sum(current_a for _, current_a in values)
    if total_a > CARRIES_A:
        return sum(voltage_v * current_a for voltage_v, current_a in values) / total_a, total_a
    # Not a number stays not a number: a sum with it is none either, and no comparison may hide it.
    return sum(voltage_v for voltage_v, _ in values) / len(values), total_a
