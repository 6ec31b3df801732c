"""The table of kinds: entry-point group `benchkit.measurements`, read as text; a kind's file is imported when it is used."""

from __future__ import annotations

from functools import cache
from importlib.metadata import entry_points

from benchkit.errors import MisuseError
from benchkit.measurements.base import MeasurementBlock

__all__ = ["kind_names", "kinds"]

GROUP = "benchkit.measurements"


def kind_names() -> tuple[str, ...]:
    """Names of the kinds that a sequence may use, sorted; imports none of them."""
    return tuple(sorted({point.name for point in entry_points(group=GROUP)}))


@cache
def kinds() -> dict[str, type[MeasurementBlock]]:
    """
    Every kind by its name.

    Raises:
        MisuseError: A line of the table does not name a MeasurementBlock, or two lines share a name.
    """
    found: dict[str, type[MeasurementBlock]] = {}
    for point in entry_points(group=GROUP):
        kind = point.load()
        if not (isinstance(kind, type) and issubclass(kind, MeasurementBlock)):
            raise MisuseError(f"entry point {GROUP}: {point.name} = {point.value} is not a MeasurementBlock")
        if found.get(point.name, kind) is not kind:
            raise MisuseError(f"entry point {GROUP}: two packages name a kind {point.name!r}")
        found[point.name] = kind
    return dict(sorted(found.items()))
