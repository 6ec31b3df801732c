"""JSON Schema: what an editor completes and checks is what the loader reads."""

from __future__ import annotations

from typing import Any

import jsonschema
import pytest

from benchkit.bench import BenchFile
from benchkit.files.schema import json_schema
from benchkit.files.yaml import load_yaml_text
from benchkit.sequence import sequence_model
from tests.files.samples import BENCH, SEQUENCE


@pytest.fixture(scope="module")
def schemas() -> dict[str, dict[str, Any]]:
    return {"bench": json_schema(BenchFile), "sequence": json_schema(sequence_model())}


@pytest.mark.parametrize(("kind", "text"), [("bench", BENCH), ("sequence", SEQUENCE)])
def test_a_right_file_is_right_by_its_schema(schemas: dict[str, dict[str, Any]], kind: str, text: str) -> None:
    """An editor must not underline what the loader takes."""
    jsonschema.Draft202012Validator.check_schema(schemas[kind])

    jsonschema.validate(load_yaml_text(text, "n").data, schemas[kind], jsonschema.Draft202012Validator)


@pytest.mark.parametrize(
    ("kind", "text", "old", "new"),
    [
        ("bench", BENCH, "level_min: -60 dBm", "level_min: -60"),
        ("bench", BENCH, "level_min: -60 dBm", "level_min: -60 V"),
        ("bench", BENCH, "level_min: -60 dBm", "levl_min: -60 dBm"),
        ("bench", BENCH, "role: source", "role: sauce"),
        ("sequence", SEQUENCE, "step: 1 dB", "step: 1"),
        ("sequence", SEQUENCE, "step: 1 dB", "step: 1 dBm"),
        ("sequence", SEQUENCE, "kind: quiescent", "kind: quiet"),
        ("sequence", SEQUENCE, "supply_voltage: 6 V", "supply_voltage: []"),
    ],
)
def test_a_wrong_file_is_wrong_by_its_schema(
    schemas: dict[str, dict[str, Any]], kind: str, text: str, old: str, new: str
) -> None:
    """The editor underlines it while it is typed."""
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(load_yaml_text(text.replace(old, new, 1), "n").data, schemas[kind])


def test_quantities_in_a_schema_carry_an_example_and_defaults_their_unit(schemas: dict[str, dict[str, Any]]) -> None:
    """What an editor offers can be written into the file as it stands."""
    timeout = schemas["bench"]["$defs"]["SourceSettings"]["properties"]["timeout"]

    assert timeout["default"] == "5 s"
    assert timeout["examples"] == ["3 min"]
    assert "exclusiveMinimum" not in timeout
    assert "x-unit" not in str(schemas)
