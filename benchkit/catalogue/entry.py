"""One line of the catalogue, as a value."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any

__all__ = ["Entry"]


@dataclass(frozen=True)
class Entry:
    """
    What one file is.

    Attributes:
        file: Name, relative to the folder listed.
        trouble: Why it is no record that can be read; then everything below is empty.
        state: "sealed", or "running or killed".
        started_s, ended_s: Seconds since 1970-01-01T00:00:00Z; None: not known, or not ended. [s]
        temperatures_degc, channels, supply_voltages_v: Conditions that were measured, each once, ascending.
        points, planned_points: Rows there are, and rows planned when no ladder stops early; None: not known.
        verdicts: Outcome and how many; empty before the record is sealed.
        simulated: None: the record does not say.
    """

    file: str
    trouble: str = ""
    record_id: str = ""
    part: str = ""
    unit: str = ""
    sequence: str = ""
    bench: str = ""
    operator: str = ""
    state: str = ""
    started_s: float | None = None
    ended_s: float | None = None
    outcome: str = ""
    message: str = ""
    temperatures_degc: tuple[float, ...] = ()
    channels: tuple[str, ...] = ()
    supply_voltages_v: tuple[float, ...] = ()
    points: int | None = None
    planned_points: int | None = None
    verdicts: Mapping[str, int] = field(default_factory=dict)
    simulated: bool | None = None

    def to_data(self) -> dict[str, Any]:
        """For JSON."""
        return {**asdict(self), "verdicts": dict(self.verdicts)}

    @classmethod
    def from_data(cls, data: Mapping[str, Any]) -> Entry:
        """
        Raises:
            TypeError, KeyError: Not what to_data() gives.
        """
        values: dict[str, Any] = {one.name: data[one.name] for one in fields(cls)}
        for name in ("temperatures_degc", "channels", "supply_voltages_v"):
            values[name] = tuple(values[name])
        return cls(**values)
