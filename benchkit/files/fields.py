"""How pydantic reads one quantity or one axis: from text, and from Python numbers only when no file is read."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

from pydantic import GetCoreSchemaHandler, GetJsonSchemaHandler, ValidationInfo
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from benchkit.errors import QuantityError
from benchkit.files.axis import LONGEST_AXIS, Axis
from benchkit.quantities.format import format_quantity
from benchkit.quantities.parse import parse_quantity, quantity_pattern
from benchkit.quantities.units import UNITS

__all__ = ["AxisOf", "QuantityOf", "quantity_schema", "read_quantity"]


@dataclass(frozen=True)
class QuantityOf:
    """Marks a float of `unit`."""

    unit: str

    @property
    def expected(self) -> str:
        unit = UNITS[self.unit]
        return f"{unit.noun} such as {unit.example}"

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        # Around the float's own schema, which may carry bounds already: Field(ge=0) must never be lost.
        return core_schema.with_info_before_validator_function(self._validate, handler(source))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        return quantity_schema(self.unit)

    def _validate(self, value: Any, info: ValidationInfo) -> float:
        return read_quantity(value, self.unit, from_file=info.mode == "json")


@dataclass(frozen=True)
class AxisOf:
    """
    Marks an Axis in `unit`.

    Attributes:
        unit: Of the values.
        step_unit: Of a range's step: levels step in dB, temperatures in K.
        above: What every value must be above; None: no bound.
        may_return: A list may have a value again, though not twice in succession.
    """

    unit: str
    step_unit: str
    above: float | None = None
    may_return: bool = False

    @property
    def expected(self) -> str:
        unit, step = UNITS[self.unit], UNITS[self.step_unit]
        return (
            f"{unit.noun} such as {unit.example}, a range "
            f"{{from: ..., to: ..., step: {step.example}}} or {{from: ..., to: ..., points: 11}}, or a list of these"
        )

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.with_info_before_validator_function(
            self._validate,
            handler(source),
            serialization=core_schema.plain_serializer_function_ser_schema(list, when_used="always"),
        )

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        value, step = quantity_schema(self.unit), quantity_schema(self.step_unit)
        points = {"type": "integer", "minimum": 2, "maximum": LONGEST_AXIS, "description": "Both ends included"}
        ends = {"from": value, "to": value}

        def a_range(third: str, its_schema: dict[str, Any]) -> dict[str, Any]:
            return {
                "type": "object",
                "properties": ends | {third: its_schema},
                "required": ["from", "to", third],
                "additionalProperties": False,
            }

        return {
            "description": self.expected[0].upper() + self.expected[1:],
            "anyOf": [
                value,
                {"type": "array", "items": {"anyOf": [value, a_range("step", step), a_range("points", points)]}, "minItems": 1}
                | ({} if self.may_return else {"uniqueItems": True}),
                a_range("step", step),
                a_range("points", points),
            ],
        }

    def _validate(self, value: Any, info: ValidationInfo) -> Axis:
        axis = self._read(value, info.mode == "json")
        if self.above is not None and not axis.minimum > self.above:
            lowest, bound = format_quantity(axis.minimum, self.unit), format_quantity(self.above, self.unit)
            raise _mistakes([((), f"{lowest} is not above {bound}")])
        return axis

    def _read(self, value: Any, from_file: bool) -> Axis:
        if isinstance(value, Axis):
            if value.unit != self.unit:
                raise _mistakes([((), f"is an axis in {value.unit}, not in {self.unit}")])
            return value
        try:
            if isinstance(value, Mapping):
                return self._range(value, from_file)
            if not isinstance(value, str) and isinstance(value, Iterable):
                return self._list(list(value), from_file)
        except PydanticCustomError:  # which is a ValueError, and says already what is wrong where
            raise
        except ValueError as error:
            raise _mistakes([((), str(error))]) from error
        if value is None:
            raise _mistakes([((), f"is empty; expected {self.expected}")])
        return Axis.of([read_quantity(value, self.unit, from_file=from_file)], self.unit)

    def _list(self, items: list[Any], from_file: bool) -> Axis:
        if not items:
            raise ValueError(f"is an empty list; expected {self.expected}")
        found = _Found(from_file)
        values: list[float] = []
        for index, item in enumerate(items):
            if not isinstance(item, Mapping):
                values.append(found.read(index, item, self.unit))
                continue
            segment = found.segment(index, partial(self._range, item, from_file))
            # Two segments may share the frequency at which one ends and the next begins.
            values += segment[1:] if values and segment and segment[0] == values[-1] else segment
            if len(values) > LONGEST_AXIS:
                raise ValueError(f"has more than {LONGEST_AXIS} values")
        found.raise_mistakes()
        return Axis.of(values, self.unit, may_return=self.may_return)

    def _range(self, parts: Mapping[Any, Any], from_file: bool) -> Axis:
        found = _Found(from_file)
        for key in parts:
            if key not in ("from", "to", "step", "points"):
                found.add((str(key),), "unknown key in a range; its keys are from, to, and step or points")
        for key in ("from", "to"):
            if key not in parts:
                found.add((key,), f"missing; expected {UNITS[self.unit].noun} such as {UNITS[self.unit].example}")
        if ("step" in parts) == ("points" in parts):
            has = "both step and" if "step" in parts else "neither step nor"
            found.add((), f"the range has {has} points; expected one of them")
        ends = [found.read(key, parts[key], self.unit) for key in ("from", "to") if key in parts]
        step = found.read("step", parts["step"], self.step_unit) if "step" in parts else None
        points = parts.get("points", 2)
        if isinstance(points, bool) or not isinstance(points, int):
            found.add(("points",), f"{points!r} is not a whole number such as 11")
        found.raise_mistakes()
        if step is not None:
            return Axis.stepped(ends[0], ends[1], step, self.unit)
        return Axis.spaced(ends[0], ends[1], points, self.unit)


class _Found:
    """Collects the mistakes of one axis, so that all are told at once."""

    def __init__(self, from_file: bool) -> None:
        self._from_file = from_file
        self._problems: list[tuple[tuple[str | int, ...], str]] = []

    def add(self, place: tuple[str | int, ...], reason: str) -> None:
        self._problems.append((place, reason))

    def read(self, key: str | int, value: Any, unit: str) -> float:
        try:
            return read_quantity(value, unit, from_file=self._from_file)
        except PydanticCustomError as error:
            self.add((key,), error.message())
            return math.nan

    def segment(self, key: int, read: Callable[[], Axis]) -> list[float]:
        """Values of a range within a list; its mistakes at their places in it."""
        try:
            return list(read())
        except PydanticCustomError as error:
            for place, reason in (error.context or {}).get("problems", [((), error.message())]):
                self.add((key, *place), reason)
        except ValueError as error:
            self.add((key,), str(error))
        return []

    def raise_mistakes(self) -> None:
        if self._problems:
            raise _mistakes(self._problems)


def _mistakes(problems: list[tuple[tuple[str | int, ...], str]]) -> PydanticCustomError:
    # The message is for who validates from Python; `problems` lets validate() give each its own place in the file.
    text = "; ".join(f"{'.'.join(map(str, place))}: {reason}" if place else reason for place, reason in problems)
    return PydanticCustomError("axis", "{reason}", {"reason": text, "problems": problems})


# Nothing between the thermal noise of one hertz and a lightning stroke needs more.
DECIBELS = ("dBm", "dB")
DECIBELS_MAX = 400.0


def read_quantity(value: Any, unit: str, *, from_file: bool) -> float:
    """
    One quantity of `unit`, as a file or Python gives it.

    Raises:
        PydanticCustomError: Of type "quantity"; its message says what was expected.
    """
    known = UNITS[unit]
    expected = f"expected {known.noun} such as {known.example}"
    if isinstance(value, str):
        try:
            number = parse_quantity(value, unit)
            if unit in DECIBELS and abs(number) > DECIBELS_MAX:
                raise QuantityError(f"{value} is no {known.noun} that exists; expected one such as {known.example}")
            return number
        except QuantityError as error:
            raise PydanticCustomError("quantity", "{reason}", {"reason": str(error)}) from error
    is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
    if is_number and not from_file:
        if not math.isfinite(value):
            raise PydanticCustomError("quantity", "{reason}", {"reason": f"{value} is not finite; {expected}"})
        return float(value)
    if value is None:
        reason = "is empty"
    elif is_number:
        reason = f"{value} has no unit"
    else:
        known_types = {dict: "is a mapping", list: "is a list", bool: f"is {str(value).lower()}"}
        reason = known_types.get(type(value), f"is a {type(value).__name__}")
    raise PydanticCustomError("quantity", "{reason}", {"reason": f"{reason}; {expected}"})


def quantity_schema(unit: str) -> dict[str, Any]:
    """JSON Schema of one quantity, for editors."""
    known = UNITS[unit]
    noun = known.noun.split(" ", 1)[1]
    return {
        "type": "string",
        "pattern": quantity_pattern(unit),
        "description": f"{noun[0].upper()}{noun[1:]} with its unit, e.g. {known.example}",
        "examples": [known.example],
        "x-unit": unit,  # for json_schema(), which takes it out again
    }
