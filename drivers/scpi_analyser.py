"""Spectrum analyser: SCPI-1999's SENSe, INPut, DISPlay and UNIT; markers, not in it, follow common practice."""

from __future__ import annotations

import math
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
        "points": ":SWE:POIN {points:d}",
        "detector_average": ":DET AVER",
        "detector_peak": ":DET POS",
        "array_format": ":FORM REAL,64;:FORM:BORD NORM",
        "ask_format": ":FORM?;:FORM:BORD?",
        "ask_attenuation": ":INP:ATT?",
        "ask_bandwidth": ":BAND?",
        "ask_sweep_time": ":SWE:TIME?",
        "ask_axis": ":FREQ:STAR?;:FREQ:STOP?;:SWE:POIN?",
        "abort": ":ABOR",
        "read": ":INIT:IMM;*WAI;:CALC:MARK1:Y?",
        "ask_line": ":FREQ:CENT {frequency_hz:.15g};:CALC:MARK1:X {frequency_hz:.15g};:INIT:IMM;*WAI;:CALC:MARK1:Y?",
        "ask_sweep": ":INIT:IMM;*WAI;:TRAC? TRACE1",
    }
    MAY_BE_EMPTY = frozenset(
        {"single", "unit", "ask_unit", "marker_on", "array_format", "ask_format", "ask_bandwidth", "ask_sweep_time", "abort"}
    )

    def _configure(self) -> None:
        self._send("single")
        self._send("unit")
        self._send("marker_on")
        self._send("array_format")

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

    def _set_points(self, points: int) -> None:
        self._send("points", points=points)

    def _set_detector(self, detector: str) -> None:
        self._send(f"detector_{detector}")

    def _ask_attenuation(self) -> float:
        return self._query_number("ask_attenuation")

    def _ask_bandwidth(self) -> float:
        return self._query_number("ask_bandwidth") if self._has("ask_bandwidth") else math.nan

    def _ask_sweep_time(self) -> float:
        return self._query_number("ask_sweep_time") if self._has("ask_sweep_time") else 0.0

    def _ask_axis(self) -> tuple[float, float, int]:
        reply = self._query("ask_axis")
        parts = reply.replace(",", ";").split(";")
        if len(parts) != 3:
            raise self._bad_reply("ask_axis", reply, f"{len(parts)} numbers instead of 3")
        start_hz, stop_hz, points = (self._number("ask_axis", part) for part in parts)
        return start_hz, stop_hz, self._whole("ask_axis", reply, points)

    def _abort(self) -> None:
        self._send("abort")

    def _reading_question(self) -> str:
        return self._commands["read"]()

    def _line_question(self, frequency_hz: float) -> str:
        return self._commands["ask_line"](frequency_hz=frequency_hz)

    def _sweep_question(self) -> str:
        return self._commands["ask_sweep"]()
