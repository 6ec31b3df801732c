"""A model's JSON Schema, as editors use it to complete and check a YAML file while it is written."""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

__all__ = ["json_schema"]


def json_schema(model_type: type[BaseModel]) -> dict[str, Any]:
    """
    JSON Schema (draft 2020-12) of a file: keys as the file has them, quantities as texts with their pattern and example.

    Bounds such as "above zero" are not in it: they apply to the number within a text, which JSON Schema cannot see.
    """
    schema = model_type.model_json_schema(by_alias=True, mode="validation")
    cleaned: dict[str, Any] = _without_number_bounds(schema)
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **cleaned}


def _without_number_bounds(schema: Any) -> Any:
    # pydantic adds the bounds of `Field(gt=0)` beside a text's pattern, where they mean nothing to a validator.
    if isinstance(schema, list):
        return [_without_number_bounds(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    is_text = schema.get("type") == "string"
    bounds = ("exclusiveMinimum", "minimum", "exclusiveMaximum", "maximum", "gt", "ge", "lt", "le")
    return {key: _without_number_bounds(value) for key, value in schema.items() if not (is_text and key in bounds)}
