"""RF power meter. SCPI-1999 has no class for it; the nodes are those of its SENSe, CALibration, INITiate and UNIT."""

from __future__ import annotations

from typing import ClassVar

from benchkit.roles import PowerMeter

__all__ = ["ScpiPowerMeter"]


class ScpiPowerMeter(PowerMeter):
    """Free running is off, so that FETCh? answers the reading that INITiate has begun and no earlier one."""

    COMMANDS: ClassVar[dict[str, str]] = {
        "single": ":INIT:CONT OFF",
        "unit": ":UNIT:POW DBM",
        "ask_unit": ":UNIT:POW?",
        "frequency": ":FREQ {frequency_hz:.15g}",
        "averages": ":AVER:COUN {averages:d};:AVER ON",
        "zero": ":CAL:ZERO:AUTO ONCE",
        "abort": ":ABOR",
        "read": ":INIT:IMM;:FETC?",
    }
    MAY_BE_EMPTY = frozenset({"single", "unit", "ask_unit", "abort"})

    def _configure(self) -> None:
        self._send("single")
        self._send("unit")

    def _ask_unit(self) -> str:
        return self._query("ask_unit")

    def _set_frequency(self, frequency_hz: float) -> None:
        self._send("frequency", frequency_hz=frequency_hz)

    def _set_averages(self, averages: int) -> None:
        self._send("averages", averages=averages)

    def _zero(self) -> None:
        self._send_and_wait("zero", timeout_s=self._zeroing_timeout_s)

    def _abort(self) -> None:
        self._send("abort")

    def _reading_question(self) -> str:
        return self._commands["read"]()
