"""
DC supply in SCPI-1999's tree (Vol 2: SOURce, OUTPut, MEASure), outputs addressed by channel list.

A supply whose outputs are selected first is the same driver with a dialect, e.g. `voltage: ":INST:NSEL {channel};:VOLT
{voltage_v:.4f}"`; one with a single output leaves `{channel}` out. A supply whose over-voltage protection has a
switch of its own has that in its dialect too: `over_voltage` ends in `;:VOLT:PROT:STAT ON`, `ask_over_voltage` in
`;:VOLT:PROT:STAT?`.
"""

from __future__ import annotations

from typing import ClassVar

from benchkit.roles import Supply
from benchkit.scpi import join

__all__ = ["ScpiSupply"]


class ScpiSupply(Supply):
    """Voltage and current of all the outputs asked for come in one message and one answer."""

    COMMANDS: ClassVar[dict[str, str]] = {
        "voltage": ":VOLT {voltage_v:.15g},(@{channel})",
        "current_limit": ":CURR {current_a:.15g},(@{channel})",
        "ask_current_limit": ":CURR? (@{channel})",
        "over_voltage": ":VOLT:PROT {voltage_v:.15g},(@{channel})",
        "ask_over_voltage": ":VOLT:PROT? (@{channel})",
        "over_current_on": ":CURR:PROT:STAT ON,(@{channel})",
        "over_current_off": ":CURR:PROT:STAT OFF,(@{channel})",
        "ask_over_current": ":CURR:PROT:STAT? (@{channel})",
        "output_on": ":OUTP ON,(@{channel})",
        "output_off": ":OUTP OFF,(@{channel})",
        "ask_output": ":OUTP? (@{channel})",
        "ask_over_voltage_trip": ":VOLT:PROT:TRIP? (@{channel})",
        "ask_over_current_trip": ":CURR:PROT:TRIP? (@{channel})",
        "clear_trip": ":OUTP:PROT:CLE (@{channel})",
        "measure": ":MEAS:VOLT? (@{channel});:MEAS:CURR? (@{channel})",
    }

    MAY_BE_EMPTY = frozenset({"ask_over_voltage_trip", "ask_over_current_trip", "clear_trip"})

    def _set_voltage(self, channel: int, voltage_v: float) -> None:
        self._send("voltage", channel=channel, voltage_v=voltage_v)

    def _set_current_limit(self, channel: int, current_a: float) -> None:
        self._send("current_limit", channel=channel, current_a=current_a)

    def _ask_current_limit(self, channel: int) -> float:
        return self._query_number("ask_current_limit", channel=channel)

    def _set_over_voltage(self, channel: int, voltage_v: float) -> None:
        self._send("over_voltage", channel=channel, voltage_v=voltage_v)

    def _ask_over_voltage(self, channel: int) -> tuple[float, bool]:
        return self._query_protection("ask_over_voltage", channel=channel)

    def _set_over_current(self, channel: int, on: bool) -> None:
        self._send("over_current_on" if on else "over_current_off", channel=channel)

    def _ask_over_current(self, channel: int) -> bool:
        return self._query_boolean("ask_over_current", channel=channel)

    def _output_on(self, channel: int) -> None:
        self._send("output_on", channel=channel)

    def _output_off(self, channel: int) -> None:
        self._send("output_off", channel=channel)

    def _ask_output(self, channel: int) -> bool:
        return self._query_output("ask_output", channel=channel)

    def _ask_over_voltage_trip(self, channel: int) -> bool:
        return self._has("ask_over_voltage_trip") and self._query_boolean("ask_over_voltage_trip", channel=channel)

    def _ask_over_current_trip(self, channel: int) -> bool:
        return self._has("ask_over_current_trip") and self._query_boolean("ask_over_current_trip", channel=channel)

    def _clear_trip(self, channel: int) -> None:
        self._send("clear_trip", channel=channel)

    def _measure_question(self, channels: tuple[int, ...]) -> str:
        return join(*(self._commands["measure"](channel=channel) for channel in channels))
