"""
The table of drivers: the entry-point group `benchkit.drivers`, text that is read without importing a driver.

A sibling package adds a driver by a line in its own pyproject.toml:

    [project.entry-points."benchkit.drivers"]
    our-supply = "our_package.our_supply:OurSupply"
"""

from __future__ import annotations

import difflib
from importlib.metadata import EntryPoint, entry_points

from benchkit.errors import FileError, Mistake
from benchkit.roles.instrument import Instrument

__all__ = ["driver_class", "driver_names"]

_GROUP = "benchkit.drivers"


def driver_names() -> dict[str, str]:
    """Every driver's name, and where it is (`module:class`). Nothing is imported."""
    return {name: entry.value for name, entry in sorted(_table().items())}


def driver_class(name: str, role: str) -> type[Instrument]:
    """
    The driver called `name`, for an instrument in `role`.

    Raises:
        FileError: No such driver (with what was probably meant), one that cannot be loaded, or one for another role.
    """
    table = _table()
    entry = table.get(name)
    if entry is None:
        near = difflib.get_close_matches(name, table, n=1)
        hint = f"did you mean {near[0]}? " if near else ""
        raise _mistake(f"no driver is called {name!r}. {hint}There are {', '.join(sorted(table)) or 'none'}")
    try:
        driver = entry.load()
    except (ImportError, AttributeError) as error:
        raise _mistake(f"driver {name!r} ({entry.value}) cannot be loaded: {error}") from error
    if not (isinstance(driver, type) and issubclass(driver, Instrument)):
        raise _mistake(f"driver {name!r} ({entry.value}) is not a driver: not a class built on a role")
    if role != driver.ROLE:
        fitting = ", ".join(sorted(other for other in table if role.replace(" ", "-") in other))
        hint = f"; for a {role} there are {fitting}" if fitting else ""
        raise _mistake(f"driver {name!r} is for a {driver.ROLE}, not for a {role}{hint}")
    return driver


def _table() -> dict[str, EntryPoint]:
    return {entry.name: entry for entry in entry_points(group=_GROUP)}


def _mistake(message: str) -> FileError:
    return FileError([Mistake("bench file", None, "driver", message)])
