"""Multimeter in SCPI-1999's tree (Vol 4, digital meters; Vol 2: SENSe:FUNCtion, INITiate)."""

from __future__ import annotations

from typing import ClassVar

from benchkit.roles import Voltmeter

__all__ = ["ScpiVoltmeter"]


class ScpiVoltmeter(Voltmeter):
    """Resistance is read with four wires: two would add the leads'."""

    COMMANDS: ClassVar[dict[str, str]] = {
        "single": ":INIT:CONT OFF",
        "function_voltage": ':FUNC "VOLT:DC"',
        "function_resistance": ':FUNC "FRES"',
        "abort": ":ABOR",
        "read": ":INIT:IMM;:FETC?",
    }
    MAY_BE_EMPTY = frozenset({"single", "abort"})

    def _configure(self) -> None:
        self._send("single")

    def _set_function(self, function: str) -> None:
        self._send(f"function_{function}")

    def _abort(self) -> None:
        self._send("abort")

    def _reading_question(self) -> str:
        return self._commands["read"]()
