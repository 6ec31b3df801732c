"""The RF switch: which routes are closed."""

from __future__ import annotations

__all__ = ["SwitchPort"]


class SwitchPort:
    """
    Attributes:
        routes: Closed ones.
        power_max_dbm: What a contact carries. [dBm]
    """

    def __init__(self, name: str, power_max_dbm: float) -> None:
        self.name = name
        self.power_max_dbm = power_max_dbm
        self.routes: frozenset[int] = frozenset()
