"""
Two-port network analyser in SCPI-1999's tree (Vol 2: SENSe, SOURce, OUTPut, FORMat, CALCulate:DATA).

Not in SCPI-1999, and so different per maker: how a trace is given its S-parameter (`define`), and the name of its complex
data (`SDATa`, here in `read` and `ask_trace`). One INITiate makes as many sweeps as are averaged; where it makes one, `averages`
in the bench file's `dialect:` says what makes it a group. SDATa is corrected data where correction is on, raw where it is
off; hence `uncorrected`, read back.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from benchkit.roles import NetworkAnalyser
from benchkit.roles.network_analyser import PARAMETERS

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["ScpiNetworkAnalyser"]


class ScpiNetworkAnalyser(NetworkAnalyser):
    """Four traces, one for each parameter; the first comes with the sweep, the others behind it."""

    COMMANDS: ClassVar[dict[str, str]] = {
        "single": ":INIT:CONT OFF",
        "array_format": ":FORM REAL,64;:FORM:BORD NORM",
        "ask_format": ":FORM?;:FORM:BORD?",
        "uncorrected": ":CORR OFF",
        "ask_corrected": ":CORR?",
        "define": ':CALC{trace:d}:PAR:DEF "S{output_port:d}{input_port:d}"',
        "sweep": ":FREQ:MODE SWE;:FREQ:STAR {start_hz:.15g};:FREQ:STOP {stop_hz:.15g};:SWE:POIN {points:d}",
        "ask_sweep": ":FREQ:STAR?;:FREQ:STOP?;:SWE:POIN?",
        "list": ":LIST:FREQ {frequencies};:FREQ:MODE LIST",
        "ask_list": ":LIST:FREQ?",
        "if_bandwidth": ":BAND {bandwidth_hz:.15g}",
        "ask_if_bandwidth": ":BAND?",
        "averages": ":AVER:COUN {averages:d};:AVER ON",
        "level": ":POW {level_dbm:.15g} DBM",
        "ask_level": ":POW?;:OUTP?",
        "level_limit": ":POW:LIM {level_dbm:.15g} DBM;:POW:LIM:STAT ON",
        "ask_level_limit": ":POW:LIM?;:POW:LIM:STAT?",
        "output_on": ":OUTP ON",
        "output_off": ":OUTP OFF",
        "ask_output": ":OUTP?",
        "abort": ":ABOR",
        "read": ":INIT:IMM;*WAI;:CALC1:DATA? SDAT",
        "ask_trace": ":CALC{trace:d}:DATA? SDAT",
    }
    MAY_BE_EMPTY = frozenset({"single", "array_format", "ask_format", "define", "abort"})

    def _configure(self) -> None:
        self._send("single")
        self._send("array_format")
        self._send("uncorrected")
        for trace, (output_port, input_port) in enumerate(PARAMETERS, start=1):
            self._send("define", trace=trace, output_port=output_port, input_port=input_port)

    def _ask_is_corrected(self) -> bool:
        return self._query_boolean("ask_corrected")

    def _set_sweep(self, start_hz: float, stop_hz: float, points: int) -> None:
        self._send("sweep", start_hz=start_hz, stop_hz=stop_hz, points=points)

    def _ask_sweep(self) -> NDArray[np.float64]:
        import numpy as np

        reply = self._query("ask_sweep")
        parts = reply.replace(",", ";").split(";")
        if len(parts) != 3:
            raise self._bad_reply("ask_sweep", reply, f"{len(parts)} numbers instead of 3")
        start_hz, stop_hz, points = (self._number("ask_sweep", part) for part in parts)
        count = self._whole("ask_sweep", reply, points)
        if count < 1:
            raise self._bad_reply("ask_sweep", reply, f"{count} points")
        return np.linspace(start_hz, stop_hz, count)

    def _set_list(self, frequencies_hz: tuple[float, ...]) -> None:
        self._send("list", frequencies=",".join(f"{frequency_hz:.15g}" for frequency_hz in frequencies_hz))

    def _ask_list(self, expected: int) -> NDArray[np.float64]:
        return self._query_array("ask_list", expected)

    def _set_bandwidth(self, bandwidth_hz: float) -> None:
        self._send("if_bandwidth", bandwidth_hz=bandwidth_hz)

    def _ask_bandwidth(self) -> float:
        return self._query_number("ask_if_bandwidth")

    def _set_averages(self, averages: int) -> None:
        self._send("averages", averages=averages)

    def _set_level(self, level_dbm: float) -> None:
        self._send("level", level_dbm=level_dbm)

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

    def _abort(self) -> None:
        self._send("abort")

    def _reading_question(self) -> str:
        return self._commands["read"]()

    def _ask_trace(self, trace: int, expected: int) -> NDArray[np.float64]:
        return self._query_array("ask_trace", expected, trace=trace)
