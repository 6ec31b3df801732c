"""The schemas that the shipped files name for editors are there, and are the ones that the code would print."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import yaml

from benchkit.bench.model import BenchFile
from benchkit.files.schema import json_schema
from benchkit.sequence.load import sequence_model
from tests.scenario import ROOT

SHIPPED = sorted((ROOT / "sequences").glob("*.yaml")) + sorted((ROOT / "sequences" / "benches").glob("*.yaml"))


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.name)
def test_a_shipped_file_names_a_schema_that_is_there_and_fits_it(path: Path) -> None:
    """Otherwise an editor completes nothing, or marks what is right."""
    first = path.read_text(encoding="utf-8").splitlines()[0]
    assert first.startswith("# yaml-language-server: $schema=")
    schema = json.loads((path.parent / first.split("=", 1)[1]).read_text(encoding="utf-8"))

    document = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)
    wrong = [
        error
        for error in jsonschema.Draft202012Validator(schema).iter_errors(document)
        if error.validator in ("additionalProperties", "required")
    ]
    assert wrong == []


def test_the_shipped_schemas_are_what_the_code_prints() -> None:
    """`benchkit schema sequence > sequences/schema/sequence.schema.json` after a change of the models."""
    for name, model in (("sequence", sequence_model()), ("bench", BenchFile)):
        shipped = json.loads((ROOT / "sequences" / "schema" / f"{name}.schema.json").read_text(encoding="utf-8"))
        assert shipped == json.loads(json.dumps(json_schema(model))), name
