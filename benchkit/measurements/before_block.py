"""What is done once, before the first condition: no ladders and no points, rows of streams of its own only."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from typing import TYPE_CHECKING, ClassVar

from benchkit.errors import MisuseError
from benchkit.measurements.base import Ladder, MeasurementBlock, Reading, Station
from benchkit.results.result import Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["BeforeBlock"]


class BeforeBlock(MeasurementBlock):
    """A kind with `before()` or `before_power()`, and nothing at the conditions: it looks at the bench, the part is off."""

    about_bench: ClassVar[bool] = True

    def ladders(self) -> Iterator[Ladder]:
        """None: it is done before the first condition."""
        yield from ()

    def ladder_count(self) -> int:
        return 0

    def point_count(self) -> int:
        return 0

    def measure(self, ladder: Ladder, station: Station) -> Generator[Reading, None, str]:
        raise MisuseError(f"{self.title} is done before the first condition, not in ladders")

    def summarise(self, points: pd.DataFrame) -> list[Result]:
        """None: it has no points."""
        return []
