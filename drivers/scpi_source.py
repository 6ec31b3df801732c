"""RF source in SCPI-1999's tree (Vol 2: SOURce, OUTPut, UNIT)."""

from __future__ import annotations

from typing import ClassVar

from benchkit.roles import Source

__all__ = ["ScpiSource"]


class ScpiSource(Source):
    """Levels are sent with their unit, so that a source left in watts or volts takes them right all the same."""

    COMMANDS: ClassVar[dict[str, str]] = {
        "unit": ":UNIT:POW DBM",
        "frequency": ":FREQ {frequency_hz:.15g}",
        "level": ":POW {level_dbm:.15g} DBM",
        "ask_frequency": ":FREQ?",
        "ask_level": ":POW?;:OUTP?",
        "level_limit": ":POW:LIM {level_dbm:.15g} DBM;:POW:LIM:STAT ON",
        "ask_level_limit": ":POW:LIM?;:POW:LIM:STAT?",
        "output_on": ":OUTP ON",
        "output_off": ":OUTP OFF",
        "ask_output": ":OUTP?",
    }
    MAY_BE_EMPTY = frozenset({"unit"})

    def _configure(self) -> None:
        self._send("unit")

    def _set_frequency(self, frequency_hz: float) -> None:
        self._send("frequency", frequency_hz=frequency_hz)

    def _set_level(self, level_dbm: float) -> None:
        self._send("level", level_dbm=level_dbm)

    def _ask_frequency(self) -> float:
        return self._query_number("ask_frequency")

    def _ask_level(self) -> tuple[float, bool]:
        return self._query_protection("ask_level")

    def _set_level_limit(self, level_dbm: float) -> None:
        self._send("level_limit", level_dbm=level_dbm)

    def _ask_level_limit(self) -> tuple[float, bool]:
        return self._query_protection("ask_level_limit")

    def _output_on(self) -> None:
        self._send("output_on")

    def _output_off(self) -> None:
        self._send("output_off")

    def _ask_output(self) -> bool:
        return self._query_output("ask_output")
