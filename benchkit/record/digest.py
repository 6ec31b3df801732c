"""
What shows later that a sealed record was changed: a SHA-256 per dataset, and one over all of them and every attribute.
"""

from __future__ import annotations

import hashlib
import json
from typing import Any

import h5py
import numpy as np
from numpy.typing import NDArray

__all__ = ["INTERNAL", "changed", "digest", "sha256"]

# Made by HDF5's dimension scales from addresses inside the file; they say nothing of the content.
INTERNAL = frozenset({"CLASS", "NAME", "REFERENCE_LIST", "DIMENSION_LIST", "_Netcdf4Dimid", "_Netcdf4Coordinates"})


def sha256(array: NDArray[Any]) -> str:
    """Of the array's bytes, as they stand in memory in C order."""
    return hashlib.sha256(np.ascontiguousarray(array).reshape(-1).view(np.uint8).data).hexdigest()


def digest(h5: h5py.File) -> str:
    """
    One SHA-256 over every object's path, type, shape and attributes, in the order of the paths.

    A dataset's content comes in by its attribute `sha256`, which changed() checks against the content.
    """
    lines = []

    def visit(path: str, item: h5py.Group | h5py.Dataset) -> None:
        shape = [str(item.dtype), list(item.shape)] if isinstance(item, h5py.Dataset) else []
        skip = INTERNAL if path else INTERNAL | {"digest"}
        attributes = {name: _plain(item.attrs[name]) for name in sorted(item.attrs) if name not in skip}
        content = sha256(item[()]) if isinstance(item, h5py.Dataset) and "sha256" not in attributes else ""
        lines.append(json.dumps([path, shape, attributes, content], sort_keys=True))

    visit("", h5)
    h5.visititems(visit)
    return hashlib.sha256("\n".join(sorted(lines)).encode()).hexdigest()


def changed(h5: h5py.File) -> list[str]:
    """
    What is not as it was sealed: paths of datasets, and "attributes or structure" when the digest differs. Reads
    everything.
    """
    found: list[str] = []

    def visit(path: str, item: h5py.Group | h5py.Dataset) -> None:
        stated = item.attrs.get("sha256")
        if isinstance(item, h5py.Dataset) and stated is not None and sha256(item[()]) != stated:
            found.append(path)

    h5.visititems(visit)
    if digest(h5) != h5.attrs.get("digest"):
        found.append("attributes or structure")
    return found


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, bytes):
        return value.decode("utf-8", "backslashreplace")
    if isinstance(value, float):
        return value.hex()  # exact, and NaN is a text
    return value.tolist() if isinstance(value, np.ndarray) else value
