"""Spectrum analyser: SCPI-1999's SENSe, INPut, DISPlay and UNIT; markers, not in it, follow common practice."""

from __future__ import annotations

from typing import ClassVar

from benchkit.roles import Analyser

__all__ = ["ScpiAnalyser"]


class ScpiAnalyser(Analyser):
    """Single sweeps; *WAI keeps the marker from being read on the sweep before."""

    COMMANDS: ClassVar[dict[str, str]] = {
        "single": ":INIT:CONT OFF",
        "unit": ":UNIT:POW DBM",
        "ask_unit": ":UNIT:POW?",
        "marker_on": ":CALC:MARK1 ON",
        "center": ":FREQ:CENT {frequency_hz:.15g}",
        "span": ":FREQ:SPAN {span_hz:.15g}",
        "resolution_bandwidth": ":BAND {bandwidth_hz:.15g}",
        "reference_level": ":DISP:TRAC:Y:RLEV {level_dbm:.15g}",
        "attenuation": ":INP:ATT {attenuation_db:.15g}",
        "marker": ":CALC:MARK1:X {frequency_hz:.15g}",
        "abort": ":ABOR",
        "read": ":INIT:IMM;*WAI;:CALC:MARK1:Y?",
    }
    MAY_BE_EMPTY = frozenset({"single", "unit", "ask_unit", "marker_on", "abort"})

    def _configure(self) -> None:
        self._send("single")
        self._send("unit")
        self._send("marker_on")

    def _ask_unit(self) -> str:
        return self._query("ask_unit")

    def _set_center(self, frequency_hz: float) -> None:
        self._send("center", frequency_hz=frequency_hz)

    def _set_span(self, span_hz: float) -> None:
        self._send("span", span_hz=span_hz)

    def _set_bandwidth(self, bandwidth_hz: float) -> None:
        self._send("resolution_bandwidth", bandwidth_hz=bandwidth_hz)

    def _set_reference_level(self, level_dbm: float) -> None:
        self._send("reference_level", level_dbm=level_dbm)

    def _set_attenuation(self, attenuation_db: float) -> None:
        self._send("attenuation", attenuation_db=attenuation_db)

    def _set_marker(self, frequency_hz: float) -> None:
        self._send("marker", frequency_hz=frequency_hz)

    def _abort(self) -> None:
        self._send("abort")

    def _reading_question(self) -> str:
        return self._commands["read"]()
