"""RF switches: which routes are closed."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Iterable
from typing import ClassVar

from benchkit.errors import InstrumentError, MisuseError
from benchkit.link import Link
from benchkit.roles.instrument import Instrument
from benchkit.roles.limits import bench_key
from benchkit.roles.settings import SwitchSettings

__all__ = ["Switch"]


class Switch(Instrument):
    """
    A switch with numbered routes.

    Neither prepare() nor make_safe() moves a contact: RF may be on, and a contact that opens under power burns. RF
    goes off at its source.
    """

    ROLE: ClassVar[str] = "switch"

    settings: SwitchSettings

    def __init__(self, name: str, link: Link, settings: SwitchSettings) -> None:
        super().__init__(name, link, settings)
        self._settling_time_s = settings.settling_time_s
        self._routes: tuple[int, ...] | None = None

    @property
    def settling_time_s(self) -> float:
        """From a change until the contacts are still. [s]"""
        return self._settling_time_s

    def connect(self, close: tuple[int, ...]) -> None:
        """
        Close these routes and open all others, opening first; and read back. RF must be off.

        Raises:
            MisuseError: Not route numbers.
            InstrumentError: Other routes read back closed.
        """
        routes = tuple(sorted(set(close)))
        if not routes or any(not isinstance(route, int) or route < 0 for route in routes):
            raise MisuseError(f"{self.name}: {close!r} are not route numbers")
        if routes == self._routes:
            return
        self._routes = None
        self._connect(routes)
        actual = self.connected()
        if actual != routes:
            raise InstrumentError(
                self.name, f"routes {_listed(actual)} read back closed instead of {_listed(routes)}; "
                f"are they those of {bench_key(self.name, 'address')}?"
            )  # fmt: skip
        self._routes = routes
        self._note("routes", routes)

    def connected(self) -> tuple[int, ...]:
        """Ask which routes are closed, in ascending order."""
        return tuple(sorted(self._ask_connected()))

    def forget_settings(self) -> None:
        self._routes = None

    def _prepare(self) -> None:
        self._configure()
        self._ask_connected()

    @abstractmethod
    def _connect(self, routes: tuple[int, ...]) -> None:
        """Open all, then close these."""

    @abstractmethod
    def _ask_connected(self) -> Iterable[int]: ...


def _listed(routes: tuple[int, ...]) -> str:
    return ", ".join(str(route) for route in routes) or "none"
