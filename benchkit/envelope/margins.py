"""What the proof collects: margins, mistakes, what it relies on and what it leaves open."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from benchkit.bench.load import Bench
from benchkit.errors import Mistake
from benchkit.files.axis import Axis
from benchkit.measurements.sentinel import SENTINEL, SENTINEL_INDEX
from benchkit.quantities.format import format_quantity
from benchkit.sequence.load import Sequence

__all__ = ["TOLERANCE", "Check", "Findings", "Key", "Margin", "Point", "block_key", "in_bench", "in_sequence", "shown"]

# Sums of decimal fractions miss their exact value by some 1e-15: a limit that is met exactly is met.
TOLERANCE = 1e-9

Unit = Literal["dBm", "V", "A", "W", "degC", "K/min"]
_DIFFERENCE = {"dBm": "dB", "degC": "K"}


@dataclass(frozen=True)
class Key:
    """A line of one of the two files."""

    file: Literal["sequence", "bench"]
    key: str


def in_sequence(key: str) -> Key:
    return Key("sequence", key)


def block_key(index: int) -> str:
    """Of a measurement, or of the sentinel, in the sequence; `index` as Plan.asked() has it."""
    return SENTINEL if index == SENTINEL_INDEX else f"measurements[{index}]"


def in_bench(key: str) -> Key:
    return Key("bench", key)


@dataclass(frozen=True)
class Point:
    """
    A place in the plan. None: it is the same everywhere.

    Attributes:
        note: What no other attribute says, e.g. "gate at pinch-off".
        frequency_to_hz: The end of a span, when the worst case was taken anywhere from `frequency_hz` to here.
    """

    note: str = ""
    measurement: str | None = None
    channel: str | None = None
    frequency_hz: float | None = None
    frequency_to_hz: float | None = None
    level_dbm: float | None = None
    temperature_degc: float | None = None
    supply_voltage_v: float | None = None

    def __str__(self) -> str:
        parts = [self.measurement or "", self.note]
        if self.frequency_hz is not None:
            parts.append(format_quantity(self.frequency_hz, "Hz", 9))
        if self.frequency_to_hz is not None:
            parts[-1] += f" to {format_quantity(self.frequency_to_hz, 'Hz', 9)}"
        if self.level_dbm is not None:
            parts.append(f"{self.level_dbm:g} dBm")
        if self.temperature_degc is not None:
            parts.append(f"{self.temperature_degc:+g} °C")
        if self.supply_voltage_v is not None:
            parts.append(f"{self.supply_voltage_v:g} V")
        return ", ".join(part for part in parts if part)


@dataclass(frozen=True)
class Margin:
    """
    How far the worst case stays from one limit.

    Attributes:
        plane: Where, e.g. "device input, channel A".
        quantity: What, e.g. "level".
        worst: Worst case, in `limit_unit`.
        limit: In `limit_unit`.
        margin: Distance to the limit, never negative in a proof that was accepted. [unit]
        unit: Of the margin, e.g. dB.
        limit_unit: Of worst case and limit, e.g. dBm.
        where: Point of the plan with the smallest margin, e.g. "power sweep, 14.125 GHz, 9 dBm".
        source: File and key of the limit.
        point: The same as `where`, in parts.
    """

    plane: str
    quantity: str
    worst: float
    limit: float
    margin: float
    unit: str
    limit_unit: str
    where: str
    source: str
    point: Point


@dataclass(frozen=True)
class Check:
    """
    One comparison of a worst case with a limit.

    Attributes:
        limit_at: Where the limit stands.
        is_lower: The limit is a lower one.
    """

    plane: str
    quantity: str
    worst: float
    limit: float
    unit: Unit
    limit_at: Key
    point: Point
    is_lower: bool = False

    @property
    def margin(self) -> float:
        return self.worst - self.limit if self.is_lower else self.limit - self.worst

    @property
    def holds(self) -> bool:
        """NaN never holds."""
        return self.margin >= -TOLERANCE


@dataclass
class Findings:
    """Collects; the proof is accepted when there are no mistakes."""

    sequence: Sequence
    bench: Bench
    margins: dict[tuple[str, str], Margin] = field(default_factory=dict)
    warnings: list[str] = field(default_factory=list)
    not_proved: list[str] = field(default_factory=list)
    _mistakes: dict[tuple[Key, str], tuple[float, Mistake]] = field(default_factory=dict)

    @property
    def mistakes(self) -> list[Mistake]:
        """One for each line and cause, the worst of its kind, in the order of the files."""
        return sorted((mistake for _, mistake in self._mistakes.values()), key=lambda m: (m.file, m.line or 0))

    def warn(self, text: str) -> None:
        if text not in self.warnings:
            self.warnings.append(text)

    def leave_open(self, text: str) -> None:
        """Say what this proof does not cover."""
        if text not in self.not_proved:
            self.not_proved.append(text)

    def refuse(self, at: Key, message: str, *, cause: str = "", margin: float = 0.0) -> None:
        """
        A mistake at a line. Of several with one `cause` (default: the message) only that of the smallest margin is kept: one
        line that is wrong for two channels is wrong once.
        """
        known = self._mistakes.get((at, cause or message))
        if known is None or margin < known[0]:
            where = self.sequence if at.file == "sequence" else self.bench
            self._mistakes[at, cause or message] = margin, where.mistake(at.key, message)

    def hold(self, check: Check, at: Key, message: str, advice: str = "") -> bool:
        """Note the margin. If it is negative, `message` becomes a mistake at `at`; by how much and above what is added."""
        if not check.holds:
            excess = format_quantity(-check.margin, _DIFFERENCE.get(check.unit, check.unit), 3)
            side = "below" if check.is_lower else "above"
            self.refuse(
                at,
                f"{message}: {excess} {side} {shown(check.limit, check.unit)} ({self.cite(check.limit_at)})"
                + (f"; {advice}" if advice else ""),
                cause=self.cite(check.limit_at) + check.quantity,
                margin=check.margin,
            )
        present = self.margins.get((check.plane, check.quantity))
        if present is None or not present.margin <= check.margin:
            self.margins[check.plane, check.quantity] = Margin(
                check.plane,
                check.quantity,
                check.worst,
                check.limit,
                check.margin,
                _DIFFERENCE.get(check.unit, check.unit),
                check.unit,
                str(check.point),
                self.source(check.limit_at),
                check.point,
            )
        return check.holds

    def source(self, at: Key) -> str:
        """File and key."""
        return f"{(self.sequence if at.file == 'sequence' else self.bench).path.name}: {at.key}"

    def cite(self, at: Key) -> str:
        """File, line and key, for messages."""
        where = self.sequence if at.file == "sequence" else self.bench
        line = where.document.line_of(at.key)
        return f"{where.path.name}:{line}: {at.key}"

    def end_of(self, key: str, axis: Axis | None = None, *, highest: bool) -> Key:
        """
        The line of the highest or lowest value of an axis of the sequence: its entry in a list, or the end of a range.

        Args:
            axis: The values; None: a list of them ascends.
        """
        lines = self.sequence.document.lines
        if f"{key}[0]" in lines:
            index = 0
            if axis is not None:
                index = axis.index(axis.maximum if highest else axis.minimum)
            while axis is None and highest and f"{key}[{index + 1}]" in lines:
                index += 1
            return in_sequence(f"{key}[{index}]")
        end = f"{key}.{'to' if highest else 'from'}"
        return in_sequence(end if end in lines else key)


def shown(value: float, unit: str) -> str:
    """A value as a message shows it."""
    if unit == "dBm":
        return f"{value:.4g} dBm"
    if unit == "degC":
        return f"{value:+.4g} °C"
    return format_quantity(value, unit, 4)
