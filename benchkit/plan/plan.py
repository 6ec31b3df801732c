"""
The walk: every condition, at each every measurement, of each every ladder; slowest setting outermost.

Nothing is listed in advance: a million points cost no more memory than ten.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from benchkit.measurements.base import Ladder, MeasurementBlock
from benchkit.measurements.sentinel import SENTINEL_INDEX, Sentinel
from benchkit.plan.order import shortest
from benchkit.sequence.model import SequenceFile, TemperatureSettings

__all__ = ["Condition", "Plan", "Step", "make_plan", "visits_of"]


@dataclass(frozen=True)
class Condition:
    """
    One outer setting. `temperature_degc` is None when the sequence sets no temperature.

    Attributes:
        visit: From 1; more where the sequence returns to a temperature.
    """

    index: int
    temperature_degc: float | None
    channel: str
    supply_voltage_v: float
    visit: int = 1

    def __str__(self) -> str:
        temperature = "" if self.temperature_degc is None else f"{self.temperature_degc:+g} °C, "
        if self.visit > 1:
            temperature += f"visit {self.visit}, "
        return f"{temperature}channel {self.channel}, {self.supply_voltage_v:g} V"


@dataclass(frozen=True)
class Step:
    """One ladder at one condition. `serial` counts ladders through the whole plan, from 0."""

    serial: int
    condition: Condition
    measurement: int
    block: MeasurementBlock
    ladder: Ladder


@dataclass(frozen=True)
class Plan:
    """
    A sequence as a walk. Build it with make_plan().

    Attributes:
        temperatures_degc: In the order they are visited; one may be returned to.
        sentinel: Measured between ladders; counts neither as a ladder nor among the points.
    """

    temperatures_degc: tuple[float | None, ...]
    channels: tuple[str, ...]
    supply_voltages_v: tuple[float, ...]
    measurements: tuple[MeasurementBlock, ...]
    sentinel: Sentinel | None = None

    def asked(self) -> Iterator[tuple[int, MeasurementBlock]]:
        """All that is measured, each with its position in the sequence; the sentinel too, as SENTINEL_INDEX."""
        yield from enumerate(self.measurements)
        if self.sentinel is not None:
            yield SENTINEL_INDEX, self.sentinel

    @property
    def condition_count(self) -> int:
        return len(self.temperatures_degc) * len(self.channels) * len(self.supply_voltages_v)

    @property
    def ladder_count(self) -> int:
        return self.condition_count * sum(block.ladder_count() for block in self.measurements)

    @property
    def point_count(self) -> int:
        """Points when no ladder stops early."""
        return self.condition_count * sum(block.point_count() for block in self.measurements)

    def conditions(self) -> Iterator[Condition]:
        """Temperature outermost (it takes longest), then channel, then supply voltage."""
        index = 0
        for place, temperature_degc in enumerate(self.temperatures_degc):
            visit = self.temperatures_degc[: place + 1].count(temperature_degc)
            for channel in self.channels:
                for supply_voltage_v in self.supply_voltages_v:
                    yield Condition(index, temperature_degc, channel, supply_voltage_v, visit)
                    index += 1

    def steps(self) -> Iterator[Step]:
        """Every ladder in the order it is measured."""
        serial = 0
        for condition in self.conditions():
            for measurement, block in enumerate(self.measurements):
                for ladder in block.ladders():
                    yield Step(serial, condition, measurement, block, ladder)
                    serial += 1


def make_plan(sequence: SequenceFile) -> Plan:
    """The walk that `sequence` asks for: a matter of the file alone, so that a run that goes on walks the same way."""
    conditions = sequence.conditions
    return Plan(
        temperatures_degc=(None,) if conditions.temperature is None else visits_of(conditions.temperature),
        channels=conditions.channels or sequence.device.channels,
        supply_voltages_v=tuple(conditions.supply_voltage_v),
        measurements=sequence.measurements,
        sentinel=sequence.sentinel,
    )


def visits_of(temperature: TemperatureSettings) -> tuple[float, ...]:
    """Temperatures in the order they are visited. [degC]"""
    written = tuple(temperature.values_degc)
    if temperature.order == "as written":
        return written
    idle_degc = temperature.idle_degc
    start_degc = idle_degc if temperature.start_degc is None else temperature.start_degc
    return shortest(written, start_degc, idle_degc, waits_for_idle=temperature.warm_before_opening is not None)
