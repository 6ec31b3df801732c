"""
Thermal chamber in SCPI-1999's tree (Vol 2: SOURce:TEMPerature, OUTPut, MEASure, UNIT; nodes from memory).

SCPI-1999 has no class for chambers and no rate; `:TEMP:RATE` and OUTPut for conditioning follow common practice, and
many chambers have a tree of their own: say so in the bench file's `dialect:`.
"""

from __future__ import annotations

from typing import ClassVar

from benchkit.roles import Chamber

__all__ = ["ScpiChamber"]


class ScpiChamber(Chamber):
    """Temperatures are sent and read in the unit that the chamber says it has."""

    COMMANDS: ClassVar[dict[str, str]] = {
        "ask_unit": ":UNIT:TEMP?",
        "temperature": ":TEMP:SPO {temperature:.10g}",
        "ramp": ":TEMP:RATE {ramp:.10g}",
        "limits": ":TEMP:PROT:LOW {low:.10g};:TEMP:PROT:HIGH {high:.10g}",
        "ask_limits": ":TEMP:PROT:LOW?;:TEMP:PROT:HIGH?",
        "start": ":OUTP ON",
        "stop": ":OUTP OFF",
        "ask_running": ":OUTP?",
        "read": ":MEAS:TEMP?",
    }
    MAY_BE_EMPTY = frozenset({"ask_unit"})

    def _ask_unit(self) -> str:
        return self._query("ask_unit")

    def _set_temperature(self, temperature: float) -> None:
        self._send("temperature", temperature=temperature)

    def _set_ramp(self, ramp: float) -> None:
        self._send("ramp", ramp=ramp)

    def _set_limits(self, low: float, high: float) -> None:
        self._send("limits", low=low, high=high)

    def _ask_limits(self) -> tuple[float, float]:
        return self._query_pair("ask_limits")

    def _start(self) -> None:
        self._send("start")

    def _stop(self) -> None:
        self._send("stop")

    def _ask_running(self) -> bool:
        return self._query_output("ask_running")

    def _air_question(self) -> str:
        return self._commands["read"]()
