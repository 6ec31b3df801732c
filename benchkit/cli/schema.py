"""benchkit schema"""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

__all__ = ["schema"]


class Which(StrEnum):
    SEQUENCE = "sequence"
    BENCH = "bench"


def schema(which: Annotated[Which, typer.Argument(help="Which kind of file.")]) -> None:
    """Print the JSON Schema of a sequence or bench file, for editors."""
    import json

    from benchkit.bench.model import BenchFile
    from benchkit.files.schema import json_schema
    from benchkit.sequence.load import sequence_model

    model = sequence_model() if which is Which.SEQUENCE else BenchFile
    typer.echo(json.dumps(json_schema(model), indent=2))
