"""What damage makes of a record's content is told as damage, and only where the seal says that there is some."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping, Sequence

from benchkit.errors import FormatError

__all__ = ["telling_damage"]

MOST_TOLD = 3


@contextlib.contextmanager
def telling_damage(said: str, changes: Callable[[], Mapping[str, Sequence[str]]]) -> Iterator[None]:
    """
    While sealed records are made sense of.

    Args:
        said: What can't be done then.
        changes: What was changed in each record since it was sealed, by its name; asked only when something went wrong.

    Raises:
        FormatError: In place of a column that is missing, a table whose columns are not as long, a number that leads nowhere.
            Where no record was changed, the error itself: it is ours.
    """
    try:
        yield
    except (LookupError, ValueError, TypeError, OSError, RuntimeError) as error:
        changed = [f"{name} ({', '.join(found[:MOST_TOLD])})" for name, found in changes().items() if found]
        if not changed:
            raise
        raise FormatError(f"{said}: changed or damaged since it was sealed: {'; '.join(changed)}") from error
