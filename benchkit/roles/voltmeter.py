"""Multimeters, for the detectors' DC voltages and for the resistance of a case sensor."""

from __future__ import annotations

from abc import abstractmethod
from typing import ClassVar

from benchkit.errors import LimitError, MisuseError
from benchkit.link import Link
from benchkit.roles.limits import bench_key
from benchkit.roles.reading import ReadingInstrument
from benchkit.roles.settings import VoltmeterSettings

__all__ = ["Voltmeter"]

FUNCTIONS = ("voltage", "resistance")


class Voltmeter(ReadingInstrument):
    """A multimeter that reads one thing at a time: DC voltage, or four-wire resistance."""

    ROLE: ClassVar[str] = "voltmeter"

    settings: VoltmeterSettings

    def __init__(self, name: str, link: Link, settings: VoltmeterSettings) -> None:
        super().__init__(name, link, settings)
        self._voltage_max_v = settings.voltage_max_v
        self._reading_timeout_s = settings.timeout_s + settings.reading_time_s
        self._function: str | None = None
        self._armed_function: str | None = None
        self._wanted_function: str | None = None

    @property
    def function(self) -> str:
        """What it reads: "voltage" or "resistance"; empty when it is not known."""
        return self._function or ""

    def set_function(self, function: str) -> None:
        """
        Set what it reads: "voltage" (DC) or "resistance" (four-wire).

        Raises:
            MisuseError: Anything else.
        """
        if function == self._function:
            return
        if function not in FUNCTIONS:
            raise MisuseError(f"{self.name}: reads {' or '.join(FUNCTIONS)}, not {function!r}")
        self._function = None
        self._set_function(function)
        self._function = self._wanted_function = function
        self._note("function", function)

    def arm(self) -> None:
        """
        Start a reading. What was forgotten since it was set (see `forget_settings`) is set again first.

        Raises:
            MisuseError: What it reads was never set; ohms taken for volts are a plausible number.
        """
        if self._function is None:
            self._restore()
        self._arm(self._reading_question())
        self._armed_function = self._function

    def collect(self) -> float:
        """
        The reading. NaN: it has none; infinite resistance: an open sensor. [V or ohm]

        Raises:
            LimitError: A voltage beyond what its input stands (voltage_max), overload included.
        """
        question, reply = self._collect()
        value = self._number(question, reply)
        if self._armed_function == "voltage" and abs(value) > self._voltage_max_v:
            raise LimitError(f"voltage at {self.name}", abs(value), self._voltage_max_v, "V", bench_key(self.name, "voltage_max"))
        return value

    def forget_settings(self) -> None:
        self._function = None

    def _prepare(self) -> None:
        # Reset: a range or a null that somebody left on would be a silent error in every reading.
        self._reset()
        self._wanted_function = None
        self._configure()

    def _restore(self) -> None:
        self._require_open()
        if self._wanted_function is None:
            raise MisuseError(f"{self.name}: arm() before set_function(): volts or ohms?")
        self._configure()
        self.set_function(self._wanted_function)

    @abstractmethod
    def _set_function(self, function: str) -> None: ...

    @abstractmethod
    def _reading_question(self) -> str:
        """One message that starts a reading and asks for it."""
