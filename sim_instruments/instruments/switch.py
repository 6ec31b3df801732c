"""RF switch matrix: independent relays, each with a route number (SCPI-1999 class "signal switchers")."""

from __future__ import annotations

from typing import ClassVar

from benchkit.bench.model import SwitchSettings
from sim_instruments.instruments.instrument import SimulatedInstrument
from sim_instruments.instruments.options import SwitchOptions
from sim_instruments.instruments.surroundings import Surroundings
from sim_instruments.scpi import Channels, Command
from sim_instruments.scpi.formats import boolean, channel_list

__all__ = ["SimulatedSwitch"]


class SimulatedSwitch(SimulatedInstrument):
    """
    Routes are closed and opened one by one; nothing opens by itself. All are open when it is switched on.

    Args:
        wired: Routes that the bench file's wiring names for this switch.
    """

    model: ClassVar[str] = "RF switch"

    def __init__(
        self,
        name: str,
        settings: SwitchSettings,
        options: SwitchOptions,
        surroundings: Surroundings,
        *,
        wired: frozenset[int],
        seed: int,
        t: float,
    ) -> None:
        self._surroundings = surroundings
        self._settling_time_s = settings.settling_time_s
        named = frozenset(int(route) for route in options.routes.split(",")) if options.routes else frozenset[int]()
        self._routes = wired | named
        self._closed: frozenset[int] = frozenset()
        super().__init__(name, seed=seed, maker=options.maker_text, t=t)
        self._apply(t)

    def commands(self) -> list[Command]:
        routes = (Channels(self._routes),)
        return [
            Command("[:ROUTe]:CLOSe", act=self._close, takes=routes, ask=self._ask_closed, ask_takes=routes),
            Command("[:ROUTe]:CLOSe:STATe", ask=lambda _t: channel_list(sorted(self._closed))),
            Command("[:ROUTe]:OPEN", act=self._open, takes=routes, ask=self._ask_open, ask_takes=routes),
            Command("[:ROUTe]:OPEN:ALL", act=self.reset),
        ]

    def reset(self, t: float) -> None:
        self._change(t, frozenset())

    def _close(self, t: float, routes: tuple[int, ...]) -> None:
        self._change(t, self._closed | frozenset(routes))

    def _open(self, t: float, routes: tuple[int, ...]) -> None:
        self._change(t, self._closed - frozenset(routes))

    def _change(self, t: float, closed: frozenset[int]) -> None:
        if closed != self._closed:
            self._closed = closed
            self._apply(t)

    def _apply(self, t: float) -> None:
        self._surroundings.routes_changed(self.name, self._closed, t)
        self._settle(t, self._settling_time_s)

    def _ask_closed(self, t: float, routes: tuple[int, ...]) -> str:
        return ",".join([boolean(route in self._closed) for route in routes])

    def _ask_open(self, t: float, routes: tuple[int, ...]) -> str:
        return ",".join([boolean(route not in self._closed) for route in routes])
