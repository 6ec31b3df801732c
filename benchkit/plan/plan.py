"""
The walk: every condition, at each every measurement, of each every ladder; slowest setting outermost.

What is measured of the unpowered device has conditions of its own, once at each temperature and channel, before the bias is
brought up there for the first time: a supply voltage means nothing to it.

Nothing is listed in advance: a million points cost no more memory than ten.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

from benchkit.measurements.base import Ladder, MeasurementBlock
from benchkit.measurements.sentinel import SENTINEL_INDEX, Sentinel
from benchkit.plan.order import shortest
from benchkit.results.result import UNPOWERED_V, supply_text
from benchkit.sequence.model import SequenceFile, TemperatureSettings

__all__ = ["Condition", "Plan", "Step", "make_plan", "visits_of"]


@dataclass(frozen=True)
class Condition:
    """
    One outer setting. `temperature_degc` is None when the sequence sets no temperature.

    Attributes:
        supply_voltage_v: UNPOWERED_V: the device stays unpowered here. [V]
        visit: From 1; more where the sequence returns to a temperature.
    """

    index: int
    temperature_degc: float | None
    channel: str
    supply_voltage_v: float
    visit: int = 1

    @property
    def is_powered(self) -> bool:
        """Whether the device is biased here."""
        return self.supply_voltage_v != UNPOWERED_V

    def __str__(self) -> str:
        temperature = "" if self.temperature_degc is None else f"{self.temperature_degc:+g} °C, "
        if self.visit > 1:
            temperature += f"visit {self.visit}, "
        return f"{temperature}channel {self.channel}, {supply_text(self.supply_voltage_v)}"


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

    @cached_property
    def supplies_v(self) -> tuple[float, ...]:
        """What is walked at each temperature and channel, UNPOWERED_V first if anything is measured unpowered. [V]"""
        if not any(block.is_unpowered for block in self.measurements):
            return self.supply_voltages_v
        # Nobody biases a part for nothing.
        is_biased = self.sentinel is not None or any(
            block.ladder_count() for block in self.measurements if not block.is_unpowered
        )
        return (UNPOWERED_V, *(self.supply_voltages_v if is_biased else ()))

    @property
    def condition_count(self) -> int:
        return len(self.temperatures_degc) * len(self.channels) * len(self.supplies_v)

    @property
    def biased_count(self) -> int:
        """Conditions at which the device is biased."""
        return sum(supply_v != UNPOWERED_V for supply_v in self.supplies_v) * self._visit_count

    def count_of(self, block: MeasurementBlock) -> int:
        """Conditions at which a block is measured."""
        return self._visit_count * (1 if block.is_unpowered else len(self.supply_voltages_v))

    @property
    def ladder_count(self) -> int:
        return sum(self.count_of(block) * block.ladder_count() for block in self.measurements)

    @property
    def point_count(self) -> int:
        """Points when no ladder stops early."""
        return sum(self.count_of(block) * block.point_count() for block in self.measurements)

    def conditions(self) -> Iterator[Condition]:
        """Temperature outermost (it takes longest), then channel, then supply voltage; unpowered before all of these."""
        index = 0
        for place, temperature_degc in enumerate(self.temperatures_degc):
            visit = self.temperatures_degc[: place + 1].count(temperature_degc)
            for channel in self.channels:
                for supply_voltage_v in self.supplies_v:
                    yield Condition(index, temperature_degc, channel, supply_voltage_v, visit)
                    index += 1

    def measured_at(self, condition: Condition) -> Iterator[tuple[int, MeasurementBlock]]:
        """What is measured at a condition, each with its position in the sequence."""
        for measurement, block in enumerate(self.measurements):
            if block.is_unpowered is not condition.is_powered:
                yield measurement, block

    def serials(self, condition: Condition, measurement: int | None = None) -> range:
        """
        Of the ladders at a condition; of one measurement there, none if it is not measured there.

        Args:
            measurement: Position in the sequence; None: of all that are.
        """
        visit, place = divmod(condition.index, len(self.supplies_v))
        starts, each = self._starts
        first, last = (0, -1) if measurement is None else (measurement, measurement + 1)
        return range(visit * each + starts[place][first], visit * each + starts[place][last])

    def unit_of(self, serial: int) -> tuple[int, int]:
        """Index of the condition and position of the measurement that a ladder belongs to."""
        starts, each = self._starts
        visit, within = divmod(serial, each)
        place = bisect_right([one[0] for one in starts], within) - 1
        return visit * len(self.supplies_v) + place, bisect_right(starts[place], within) - 1

    def steps(self) -> Iterator[Step]:
        """Every ladder in the order it is measured."""
        serial = 0
        for condition in self.conditions():
            for measurement, block in self.measured_at(condition):
                for ladder in block.ladders():
                    yield Step(serial, condition, measurement, block, ladder)
                    serial += 1

    @property
    def _visit_count(self) -> int:
        return len(self.temperatures_degc) * len(self.channels)

    @cached_property
    def _starts(self) -> tuple[tuple[tuple[int, ...], ...], int]:
        """
        Within one temperature and channel, by supply voltage: where each measurement's serial numbers begin, and where the last
        one's end; and how many there are in all.
        """
        found, serial = [], 0
        for supply_v in self.supplies_v:
            starts = [serial]
            for block in self.measurements:
                serial += block.ladder_count() if block.is_unpowered is (supply_v == UNPOWERED_V) else 0
                starts.append(serial)
            found.append(tuple(starts))
        return tuple(found), serial


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
