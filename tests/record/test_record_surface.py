"""The public surface is a list, and the format page says what the code does."""

from __future__ import annotations

import importlib
import pkgutil
from pathlib import Path

import h5py

import benchkit.record
from benchkit.record.layout import RESERVED_ATTRIBUTES, VERSION
from tests.record.samples import point, writer

PAGE = (Path(benchkit.record.__file__).parent / "FORMAT.md").read_text(encoding="utf-8")


def test_every_name_that_is_promised_is_there() -> None:
    """What is not in the list may change any day."""
    for module in pkgutil.iter_modules(benchkit.record.__path__):
        found = importlib.import_module(f"benchkit.record.{module.name}")
        assert found.__all__
        assert all(hasattr(found, name) for name in found.__all__), module.name
    assert all(hasattr(benchkit.record, name) for name in benchkit.record.__all__)


def test_the_format_page_names_every_group_and_attribute_that_a_record_has(tmp_path: Path) -> None:
    """Whoever writes a reader has this one page."""
    assert f"(version {VERSION})" in PAGE
    assert all(f"`{name}`" in PAGE for name in RESERVED_ATTRIBUTES)
    run = writer(tmp_path / "run.h5")
    run.append("points", point(0))
    run.flush()
    names: set[str] = set()

    def visit(_: str, item: h5py.Group | h5py.Dataset) -> None:
        names.update(set(item.attrs) - {"CLASS", "NAME", "REFERENCE_LIST", "DIMENSION_LIST"})
        if isinstance(item, h5py.Group):
            names.add(item.name.strip("/"))

    with h5py.File(run.path, "r") as h5:
        h5.visititems(visit)
    run.finish("done", "")
    with h5py.File(run.path, "r") as h5:
        h5.visititems(visit)

    assert {"points", "results", "units", "plane", "sha256", "kind"} <= names
    assert not [name for name in sorted(names) if f"`{name}`" not in PAGE]
