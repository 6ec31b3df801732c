"""Instruments on a scripted link that remembers: what was sent last decides what is answered."""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

from benchkit.roles import Analyser, Chamber, NetworkAnalyser, PowerMeter, Source, Supply, Switch, Voltmeter
from benchkit.testing import ScriptedLink
from benchkit.testing.scripted_link import Reply
from drivers.scpi_analyser import ScpiAnalyser
from drivers.scpi_chamber import ScpiChamber
from drivers.scpi_network_analyser import ScpiNetworkAnalyser
from drivers.scpi_power_meter import ScpiPowerMeter
from drivers.scpi_source import ScpiSource
from drivers.scpi_supply import ScpiSupply
from drivers.scpi_switch import ScpiSwitch
from drivers.scpi_voltmeter import ScpiVoltmeter

__all__ = [
    "IDENTITY",
    "Desk",
    "analyser",
    "b_block",
    "chamber",
    "network_analyser",
    "power_meter",
    "source",
    "supply",
    "switch",
    "voltmeter",
]

IDENTITY = "Generic SCPI,Scripted,SIM-000001,1.0"
_NUMBER = r"([-+0-9.eE]+)"


class Desk(ScriptedLink):
    """
    A scripted link for conformance: unknown headers end in the error queue, and settings can be asked for again.

    Args:
        replies: Whole messages and their answers, besides the common ones.
    """

    def __init__(self, name: str, replies: dict[str, Reply]) -> None:
        self._unknown = 0
        self.pattern_replies: list[tuple[str, Callable[[str], str]]] = []
        super().__init__(
            {
                "*IDN?": IDENTITY,
                "*OPT?": "0",
                "*RST;*OPC?": "1",
                ":SYST:ERR?": lambda _: self._next_error(),
                **replies,
            },
            name=name,
        )

    def write(self, message: str) -> None:
        super().write(message)
        self._unknown += message.startswith(":NOSUCH")

    def ask(self, message: str) -> None:
        for pattern, reply in self.pattern_replies:
            if message not in self.replies and re.fullmatch(pattern, message):
                self.replies[message] = reply
        super().ask(message)

    def _next_error(self) -> str:
        if not self._unknown:
            return '0,"No error"'
        self._unknown -= 1
        return '-113,"Undefined header"'

    def last(self, pattern: str, otherwise: str) -> str:
        """What the last message that fits `pattern` holds in its first group; a reset ends the search."""
        for message in reversed(self.sent):
            found = re.fullmatch(pattern, message)
            if found:
                return found[1]
            if message.startswith("*RST"):
                break
        return otherwise

    def is_on(self, on: str, off: str, also_off: str = "*RST;*OPC?") -> str:
        """1 if `on` was sent after `off`."""
        for message in reversed(self.sent):
            if message == on:
                return "1"
            if message in (off, also_off):
                break
        return "0"


def settings(**values: Any) -> Any:
    return SimpleNamespace(**{"timeout_s": 5.0, "dialect": {}, **values})


def source(dialect: dict[str, str] | None = None, **replies: Reply) -> tuple[ScpiSource, Desk]:
    """-40 to +14 dBm, 10 MHz to 20 GHz."""
    desk = Desk("rf_source", {})

    def output(_: str) -> str:
        return f"{desk.is_on(':OUTP ON', ':OUTP OFF')};{IDENTITY}"

    desk.replies |= {
        ":OUTP?;*IDN?": output,
        ":FREQ?": lambda _: desk.last(rf":FREQ {_NUMBER}", "1e9"),
        ":POW?;:OUTP?": lambda _: f"{desk.last(rf':POW {_NUMBER} DBM', '-40')};{desk.is_on(':OUTP ON', ':OUTP OFF')}",
        ":POW:LIM?;:POW:LIM:STAT?": lambda _: desk.last(rf":POW:LIM {_NUMBER} DBM;:POW:LIM:STAT ON", "20") + ";1",
        **replies,
    }
    limits = settings(
        level_min_dbm=-40.0,
        level_max_dbm=14.0,
        frequency_min_hz=10e6,
        frequency_max_hz=20e9,
        settling_time_s=0.005,
        without_level_limit=False,
        dialect=dialect or {},
    )
    return ScpiSource("rf_source", desk, limits), desk


def power_meter(dialect: dict[str, str] | None = None, **replies: Reply) -> tuple[ScpiPowerMeter, Desk]:
    """Stands 23 dBm, 10 MHz to 18 GHz; reads -12.345 dBm."""
    desk = Desk(
        "output_meter",
        {
            ":UNIT:POW?": "DBM",
            ":CAL:ZERO:AUTO ONCE;*OPC?": "1",
            ":INIT:IMM;:FETC?": "-1.23450000000E+01",
            **replies,
        },
    )
    limits = settings(
        input_max_dbm=23.0, frequency_min_hz=10e6, frequency_max_hz=18e9, reading_time_s=0.04, dialect=dialect or {}
    )
    return ScpiPowerMeter("output_meter", desk, limits), desk


def analyser(dialect: dict[str, str] | None = None, **replies: Reply) -> tuple[ScpiAnalyser, Desk]:
    """Stands 30 dBm, 10 MHz to 26.5 GHz; reads -31.5 dBm."""
    desk = Desk("analyser", {})

    def axis(_: str) -> str:
        center_hz = float(desk.last(rf":FREQ:CENT {_NUMBER}(?:;.*)?", "13.255e9"))
        half_hz = 0.5 * float(desk.last(rf":FREQ:SPAN {_NUMBER}", "26.49e9"))
        return f"{center_hz - half_hz};{center_hz + half_hz};{desk.last(r':SWE:POIN ([0-9]+)', '1001')}"

    def trace(_: str) -> bytes:
        points = int(desk.last(r":SWE:POIN ([0-9]+)", "1001"))
        return b_block(struct.pack(f">{points}d", *(-31.5 - 0.001 * index for index in range(points))))

    def line(message: str) -> str:
        # A level that tells its frequency: -14.125 dBm at 14.125 GHz.
        return f"{-float(re.match(rf':FREQ:CENT {_NUMBER}', message)[1]) / 1e9}"  # type: ignore[index]

    desk.replies |= {
        ":UNIT:POW?": "DBM",
        ":INIT:IMM;*WAI;:CALC:MARK1:Y?": "-31.5",
        ":INP:ATT?": lambda _: desk.last(rf":INP:ATT {_NUMBER}", "10"),
        ":BAND?": lambda _: desk.last(rf":BAND {_NUMBER}", "1e6"),
        ":SWE:TIME?": "0.1",
        ":FORM?;:FORM:BORD?": "REAL,64;NORM",
        ":FREQ:STAR?;:FREQ:STOP?;:SWE:POIN?": axis,
        ":INIT:IMM;*WAI;:TRAC? TRACE1": trace,
        **replies,
    }
    desk.pattern_replies.append((r":FREQ:CENT ([^;]*);:CALC:MARK1:X \1;:INIT:IMM;\*WAI;:CALC:MARK1:Y\?", line))
    limits = settings(
        input_max_dbm=30.0,
        frequency_min_hz=10e6,
        frequency_max_hz=26.5e9,
        reading_time_s=0.1,
        attenuation_max_db=70.0,
        intercept_dbm=15.0,
        second_intercept_dbm=45.0,
        noise_floor_dbm=-150.0,
        dialect=dialect or {},
    )
    return ScpiAnalyser("analyser", desk, limits), desk


def network_analyser(dialect: dict[str, str] | None = None, **replies: Reply) -> tuple[ScpiNetworkAnalyser, Desk]:
    """-60 to +10 dBm, 10 MHz to 20 GHz, 201 points; S11 is 0.1, S21 2j, S12 -0.001, S22 0.2j at every frequency."""
    desk = Desk("network_analyser", {})
    values = {"1": 0.1, "2": 2j, "3": -0.001, "4": 0.2j}

    def listed() -> list[float]:
        return [float(text) for text in desk.last(r":LIST:FREQ (.*);:FREQ:MODE LIST", "").split(",") if text]

    def points() -> int:
        for message in reversed(desk.sent):
            if message.startswith(":LIST:FREQ "):
                return len(listed())
            if ":SWE:POIN " in message:
                return int(message.rpartition(" ")[2])
        return 201

    def sweep(_: str) -> str:
        pattern = rf":FREQ:MODE SWE;:FREQ:STAR {_NUMBER};:FREQ:STOP .*"
        other = rf":FREQ:MODE SWE;:FREQ:STAR .*;:FREQ:STOP {_NUMBER};:SWE:POIN .*"
        return f"{desk.last(pattern, '10e6')};{desk.last(other, '20e9')};{points()}"

    def trace(message: str) -> bytes:
        number = re.search(r"CALC([1-4]):DATA", message)
        assert number is not None
        value = complex(values[number[1]])
        return b_block(struct.pack(">2d", value.real, value.imag) * points())

    def output(_: str) -> str:
        return f"{desk.is_on(':OUTP ON', ':OUTP OFF')};{IDENTITY}"

    desk.replies |= {
        ":CORR?": "0",
        ":FORM?;:FORM:BORD?": "REAL,64;NORM",
        ":FREQ:STAR?;:FREQ:STOP?;:SWE:POIN?": sweep,
        ":LIST:FREQ?": lambda _: b_block(struct.pack(f">{len(listed())}d", *listed())),
        ":BAND?": lambda _: desk.last(rf":BAND {_NUMBER}", "1e3"),
        ":INIT:IMM;*WAI;:CALC1:DATA? SDAT": trace,
        **{f":CALC{number}:DATA? SDAT": trace for number in (2, 3, 4)},
        ":OUTP?;*IDN?": output,
        ":POW?;:OUTP?": lambda _: f"{desk.last(rf':POW {_NUMBER} DBM', '-60')};{desk.is_on(':OUTP ON', ':OUTP OFF')}",
        ":POW:LIM?;:POW:LIM:STAT?": lambda _: desk.last(rf":POW:LIM {_NUMBER} DBM;:POW:LIM:STAT ON", "20") + ";1",
        **replies,
    }
    limits = settings(
        level_min_dbm=-60.0,
        level_max_dbm=10.0,
        frequency_min_hz=10e6,
        frequency_max_hz=20e9,
        reading_time_s=0.001,
        if_bandwidth_hz=1e3,
        points_max=2001,
        settling_time_s=0.01,
        without_level_limit=False,
        dialect=dialect or {},
    )
    return ScpiNetworkAnalyser("network_analyser", desk, limits), desk


def b_block(data: bytes) -> bytes:
    """A definite-length block as an instrument sends it (IEEE 488.2, 8.7.9, from memory)."""
    length = str(len(data)).encode()
    return b"#" + str(len(length)).encode() + length + data + b"\n"


def rating(**values: Any) -> Any:
    return SimpleNamespace(
        **{
            "voltage_min_v": 0.0,
            "voltage_max_v": 20.0,
            "current_max_a": 2.0,
            "without_over_voltage": False,
            "without_over_current": False,
            **values,
        }
    )


def supply(dialect: dict[str, str] | None = None, **replies: Reply) -> tuple[ScpiSupply, Desk]:
    """Output 1: -5 to 0 V, 100 mA (a gate's). Output 2: 0 to 20 V, 2 A (a drain's)."""
    desk = Desk("supply", {})

    def remember(channel: int) -> dict[str, Reply]:
        at = rf"\(@{channel}\)"

        def output(_: str) -> str:
            return f"{desk.is_on(f':OUTP ON,(@{channel})', f':OUTP OFF,(@{channel})')};{IDENTITY}"

        def trip(_: str) -> str:
            return desk.is_on(f":CURR:PROT:STAT ON,(@{channel})", f":CURR:PROT:STAT OFF,(@{channel})")

        return {
            f":CURR? (@{channel})": lambda _: desk.last(rf":CURR {_NUMBER},{at}", "0"),
            f":VOLT:PROT? (@{channel})": lambda _: desk.last(rf":VOLT:PROT {_NUMBER},{at}", "22"),
            f":CURR:PROT:STAT? (@{channel})": trip,
            f":OUTP? (@{channel});*IDN?": output,
            f":VOLT:PROT:TRIP? (@{channel})": "0",
            f":CURR:PROT:TRIP? (@{channel})": "0",
        }

    gate, drain = ":MEAS:VOLT? (@1);:MEAS:CURR? (@1)", ":MEAS:VOLT? (@2);:MEAS:CURR? (@2)"
    desk.replies |= {
        **remember(1),
        **remember(2),
        gate: "-7.512E-01;-2.1E-06",
        f"{gate};{drain}": "-7.512E-01;-2.1E-06;+6.001E+00;+2.215E-01",
        f"{drain};{gate}": "+6.001E+00;+2.215E-01;-7.512E-01;-2.1E-06",
        **replies,
    }
    limits = settings(
        channels={1: rating(voltage_min_v=-5.0, voltage_max_v=0.0, current_max_a=0.1), 2: rating()},
        reading_time_s=0.02,
        settling_time_s=0.01,
        dialect=dialect or {},
    )
    return ScpiSupply("supply", desk, limits), desk


def voltmeter(dialect: dict[str, str] | None = None, **replies: Reply) -> tuple[ScpiVoltmeter, Desk]:
    """Stands 10 V; reads 0.1234567 V, or 109.7 ohm."""
    desk = Desk("detector_voltmeter", {})

    def reading(_: str) -> str:
        return "+1.09700E+02" if desk.last(r':FUNC "(.*)"', "") == "FRES" else "+1.234567E-01"

    desk.replies |= {":INIT:IMM;:FETC?": reading, **replies}
    limits = settings(voltage_max_v=10.0, reading_time_s=0.02, dialect=dialect or {})
    return ScpiVoltmeter("detector_voltmeter", desk, limits), desk


def chamber(
    dialect: dict[str, str] | None = None,
    kind: type[ScpiChamber] = ScpiChamber,
    **replies: Reply,
) -> tuple[ScpiChamber, Desk]:
    """-60 to 130 degC, up to 3 K/min; the air is at 23.4 degC."""
    desk = Desk("chamber", {})

    def limits_reply(_: str) -> str:
        command = rf":TEMP:PROT:LOW {_NUMBER};:TEMP:PROT:HIGH .*"
        other = rf":TEMP:PROT:LOW .*;:TEMP:PROT:HIGH {_NUMBER}"
        return f"{desk.last(command, '-60')};{desk.last(other, '130')}"

    def running(_: str) -> str:
        return f"{desk.is_on(':OUTP ON', ':OUTP OFF')};{IDENTITY}"

    desk.replies |= {
        ":UNIT:TEMP?": "C",
        ":TEMP:PROT:LOW?;:TEMP:PROT:HIGH?": limits_reply,
        ":OUTP?;*IDN?": running,
        ":MEAS:TEMP?": "23.4",
        **replies,
    }
    limits = settings(
        temperature_min_degc=-60.0,
        temperature_max_degc=130.0,
        ramp_k_per_min=3.0,
        reading_time_s=0.05,
        without_temperature_limits=False,
        dialect=dialect or {},
    )
    return kind("chamber", desk, limits), desk


def switch(dialect: dict[str, str] | None = None, **replies: Reply) -> tuple[ScpiSwitch, Desk]:
    """Any routes; all open at first."""
    desk = Desk("rf_switch", {})
    desk.replies |= {
        ":ROUT:CLOS:STAT?": lambda _: f"(@{desk.last(r':ROUT:OPEN:ALL;:ROUT:CLOS .@(.*)[)]', '')})",
        **replies,
    }
    return ScpiSwitch("rf_switch", desk, settings(settling_time_s=0.015, dialect=dialect or {})), desk


Make = Callable[..., tuple[Source | PowerMeter | Analyser | NetworkAnalyser | Supply | Voltmeter | Chamber | Switch, Desk]]
