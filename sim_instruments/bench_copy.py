"""A copy of a bench file whose addresses are those of the served twin; comments and order stay."""

from __future__ import annotations

import io
import os
from collections.abc import Mapping
from pathlib import Path

from ruamel.yaml import YAML

from benchkit.bench.load import Bench
from benchkit.errors import FileError, Mistake

__all__ = ["write_bench_copy"]

MARK = "# Written by `python -m sim_instruments serve`: addresses of a simulated bench, good while it is served.\n"


def write_bench_copy(bench: Bench, addresses: Mapping[str, str], out: Path) -> None:
    """
    Write the copy. A former copy is replaced, any other file is not.

    Args:
        bench: The original.
        addresses: VISA address by instrument.
        out: File to write; names of tables and of the device file in it are made relative to its folder.

    Raises:
        FileError: `out` is there and is not such a copy, or a table cannot be named relative to it.
    """
    if out.exists() and not out.read_text(encoding="utf-8", errors="replace").startswith(MARK):
        message = "exists and is no copy written by the twin; choose another name"
        raise FileError([Mistake(str(out), None, "", message)])
    yaml = YAML()
    yaml.preserve_quotes = True
    yaml.width = 4096
    tree = yaml.load(bench.text)
    for name, address in addresses.items():
        tree["instruments"][name]["address"] = address
    tree.setdefault("link", {})["library"] = "py"
    # What is measured there must never pass for a measurement.
    tree["simulated"] = True
    folder = bench.path.parent
    for path in tree["paths"].values():
        if isinstance(path["loss"], dict):
            for key in ("table", "touchstone"):
                if key in path["loss"]:
                    path["loss"][key] = _moved(path["loss"][key], folder, out)
    if "twin" in tree:
        tree["twin"]["device"] = _moved(tree["twin"]["device"], folder, out)
    text = io.StringIO()
    yaml.dump(tree, text)
    partial = out.with_name(out.name + ".part")
    partial.write_text(MARK + text.getvalue(), encoding="utf-8", newline="\n")
    partial.replace(out)


def _moved(name: str, folder: Path, out: Path) -> str:
    try:
        return Path(os.path.relpath((folder / name).resolve(), out.resolve().parent)).as_posix()
    except ValueError as error:
        # Windows: another drive.
        raise FileError([Mistake(str(out), None, name, f"cannot be named from there: {error}")]) from error
