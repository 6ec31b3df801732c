"""RF switch in SCPI-1999's tree (Vol 2: ROUTe; Vol 4, signal switchers)."""

from __future__ import annotations

from typing import ClassVar

from benchkit.roles import Switch

__all__ = ["ScpiSwitch"]


class ScpiSwitch(Switch):
    """All routes open before the wanted ones close: never two at once."""

    COMMANDS: ClassVar[dict[str, str]] = {
        "connect": ":ROUT:OPEN:ALL;:ROUT:CLOS (@{routes})",
        "ask_connected": ":ROUT:CLOS:STAT?",
    }

    def _connect(self, routes: tuple[int, ...]) -> None:
        self._send("connect", routes=",".join(str(route) for route in routes))

    def _ask_connected(self) -> tuple[int, ...]:
        return self._query_channel_list("ask_connected")
