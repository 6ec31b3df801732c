"""
An axis: the values one setting takes, in order. Lazy, so that a million steps cost no more than ten.

Values of a range are kept as integers over a common denominator: the n-th is exactly the float nearest to
from + n * step, and how many there are never depends on how a sum of floats was rounded.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from fractions import Fraction
from itertools import pairwise
from typing import Any, overload

from pydantic import GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from benchkit.quantities.format import format_quantity

__all__ = ["LONGEST_AXIS", "Axis"]

LONGEST_AXIS = 10_000_000
MOST_TOLD = 8


class Axis(Sequence[float]):
    """
    Frozen values in one unit; build it with Axis.of(), Axis.stepped() or Axis.spaced().

    Comparing two axes compares their values. A slice is an Axis.
    """

    __slots__ = ("_denominator", "_values", "maximum", "minimum", "unit")

    _values: range | tuple[float, ...]
    _denominator: int
    unit: str
    minimum: float
    maximum: float

    def __init__(self, values: range | tuple[float, ...], denominator: int, unit: str) -> None:
        if not len(values):
            raise ValueError("an axis has at least one value")
        for name, value in (("_values", values), ("_denominator", denominator), ("unit", unit)):
            object.__setattr__(self, name, value)
        ends = (self[0], self[-1])
        low, high = (min(ends), max(ends)) if isinstance(values, range) else (min(values), max(values))
        object.__setattr__(self, "minimum", low)
        object.__setattr__(self, "maximum", high)

    @classmethod
    def of(cls, values: Iterable[float], unit: str, *, may_return: bool = False) -> Axis:
        """
        The values listed, in their order.

        Args:
            may_return: One may come again, though not right after itself.

        Raises:
            ValueError: None, or one twice.
        """
        listed = tuple(float(value) for value in values)
        if may_return:
            for value, following in pairwise(listed):
                if value == following:
                    raise ValueError(f"{format_quantity(value, unit)} is in it twice in succession, which is no return")
            return cls(listed, 1, unit)
        seen: set[float] = set()
        for value in listed:
            if value in seen:
                raise ValueError(f"{format_quantity(value, unit)} is in it twice")
            seen.add(value)
        return cls(listed, 1, unit)

    @classmethod
    def stepped(cls, first: float, last: float, step: float, unit: str) -> Axis:
        """
        first, first + step, ... up to `last`.

        Raises:
            ValueError: Not ascending, a step that is not above zero or does not lead to `last`, or more than LONGEST_AXIS values.
        """
        begin, end, width = _exact(first), _exact(last), _exact(step)
        if width <= 0:
            raise ValueError(f"step: {step:.9g} is not above zero")
        _check_ascending(first, last, unit)
        steps = (end - begin) // width
        _check_length(steps + 1)
        if begin + steps * width != end:
            # Ending short of it in silence would leave out the very end that was asked for.
            there, beyond = (format_quantity(float(begin + count * width), unit) for count in (steps, steps + 1))
            raise ValueError(f"step: does not lead to {format_quantity(last, unit)}; it leads to {there}, then {beyond}")
        return cls._from_fractions(begin, width, int(steps) + 1, unit)

    @classmethod
    def spaced(cls, first: float, last: float, points: int, unit: str) -> Axis:
        """
        `points` values evenly from `first` to `last`, both among them.

        Raises:
            ValueError: Not ascending, fewer than two points, or more than LONGEST_AXIS.
        """
        if points < 2:
            raise ValueError(f"points: {points} is fewer than 2; for a single value, write the value itself")
        _check_length(points)
        _check_ascending(first, last, unit)
        begin, end = _exact(first), _exact(last)
        return cls._from_fractions(begin, (end - begin) / (points - 1), points, unit)

    @classmethod
    def _from_fractions(cls, begin: Fraction, width: Fraction, count: int, unit: str) -> Axis:
        denominator = begin.denominator * width.denominator
        start = begin.numerator * width.denominator
        stride = width.numerator * begin.denominator
        return cls(range(start, start + count * stride, stride), denominator, unit)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        # Bounds of Field(...) have no meaning for an axis; this way they fail loudly instead of being passed over.
        return core_schema.is_instance_schema(cls)

    def __setattr__(self, name: str, value: object) -> None:
        raise AttributeError("an axis is frozen")

    def __reduce__(self) -> tuple[type[Axis], tuple[range | tuple[float, ...], int, str]]:
        return Axis, (self._values, self._denominator, self.unit)

    def __copy__(self) -> Axis:
        return self

    def __deepcopy__(self, memo: object) -> Axis:
        return self

    def __len__(self) -> int:
        return len(self._values)

    @overload
    def __getitem__(self, index: int) -> float: ...
    @overload
    def __getitem__(self, index: slice) -> Axis: ...
    def __getitem__(self, index: int | slice) -> float | Axis:
        values = self._values
        if isinstance(index, slice):
            return Axis(values[index], self._denominator, self.unit)
        if isinstance(values, range):
            return values[index] / self._denominator  # of integers: rounded once, correctly
        return values[index]

    def __iter__(self) -> Iterator[float]:
        values = self._values
        if isinstance(values, range):
            denominator = self._denominator
            return (value / denominator for value in values)
        return iter(values)

    def __contains__(self, value: object) -> bool:
        if not isinstance(value, (int, float)) or not self.minimum <= value <= self.maximum:
            return False
        if not isinstance(self._values, range):
            return float(value) in self._values
        # Rounding may put the nearest index off by one at most.
        near = round((Fraction(value) * self._denominator - self._values.start) / self._values.step)
        return any(self[i] == value for i in (near - 1, near, near + 1) if 0 <= i < len(self))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Axis):
            return NotImplemented
        if self.unit != other.unit or len(self) != len(other):
            return False
        if self._denominator == other._denominator and self._values == other._values:
            return True
        return all(a == b for a, b in zip(self, other, strict=True))

    def __hash__(self) -> int:
        return hash((len(self), self[0], self[-1], self.unit))

    def __str__(self) -> str:
        """For a person: every value of a short one; of a long one its ends, how many there are, and the middle one."""
        if len(self) <= MOST_TOLD:
            return ", ".join(format_quantity(value, self.unit, 9) for value in self)
        ends = f"{format_quantity(self[0], self.unit, 9)} to {format_quantity(self[-1], self.unit, 9)}"
        return f"{ends}, {len(self)} values, {format_quantity(self[len(self) // 2], self.unit, 9)} in the middle"

    def __repr__(self) -> str:
        if len(self) == 1:
            return f"Axis({self[0]:.9g} {self.unit})"
        return f"Axis({self[0]:.9g} to {self[-1]:.9g} {self.unit}, {len(self)} values)"


def _exact(value: float) -> Fraction:
    """What the author wrote: 0.1, not the binary number nearest to it. The shortest text of a float says so."""
    return Fraction(repr(float(value)))


def _check_ascending(first: float, last: float, unit: str) -> None:
    if first == last:
        raise ValueError(f"from and to are both {format_quantity(first, unit)}; for a single value, write the value itself")
    if not first < last:
        low, high = format_quantity(last, unit), format_quantity(first, unit)
        raise ValueError(f"to: {low} is below from: {high}; a range ascends, a list may have any order")


def _check_length(count: int) -> None:
    if count > LONGEST_AXIS:
        raise ValueError(f"{count} values are more than {LONGEST_AXIS}; is the step of the right unit?")
