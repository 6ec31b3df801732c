"""A model's JSON Schema, as editors use it to complete and check a YAML file while it is written."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from benchkit.quantities.format import format_quantity

__all__ = ["json_schema"]

# pydantic writes the bounds of Field(gt=0) beside a text's pattern, where they mean nothing.
_BOUNDS = frozenset(("exclusiveMinimum", "minimum", "exclusiveMaximum", "maximum", "gt", "ge", "lt", "le"))


def json_schema(model_type: type[BaseModel]) -> dict[str, Any]:
    """
    JSON Schema (draft 2020-12) of a file: keys as the file has them, quantities as texts with pattern and example.

    Bounds such as "above zero" are not in it: they apply to the number within a text, which JSON Schema cannot see.
    """
    schema: dict[str, Any] = _as_in_the_file(model_type.model_json_schema(by_alias=True, mode="validation"))
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema}


def _as_in_the_file(schema: Any) -> Any:
    if isinstance(schema, list):
        return [_as_in_the_file(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    found = {key: _as_in_the_file(value) for key, value in schema.items()}
    unit = found.pop("x-unit", None)
    if isinstance(unit, str):
        found = {key: value for key, value in found.items() if key not in _BOUNDS}
        if isinstance(found.get("default"), (int, float)):
            found["default"] = format_quantity(float(found["default"]), unit)  # a file has it with its unit
    return found
