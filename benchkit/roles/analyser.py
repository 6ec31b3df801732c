"""Spectrum analysers: the level at one marker."""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Callable
from typing import ClassVar

from benchkit.errors import LimitError, MisuseError, ReplyError
from benchkit.link import Link
from benchkit.roles.limits import bench_key, outside
from benchkit.roles.reading import ReadingInstrument
from benchkit.roles.settings import AnalyserSettings
from benchkit.roles.units import POWER_UNITS

__all__ = ["Analyser"]


class Analyser(ReadingInstrument):
    """A spectrum analyser. Levels are those at its connector. One reading is one sweep and the marker's level."""

    ROLE: ClassVar[str] = "analyser"
    VALUES: ClassVar[dict[str, str]] = {"power_unit": ""}
    """DBM or W for an analyser that cannot be asked for its unit; empty: ask."""

    settings: AnalyserSettings

    def __init__(self, name: str, link: Link, settings: AnalyserSettings) -> None:
        super().__init__(name, link, settings)
        self._frequency_range_hz = (settings.frequency_min_hz, settings.frequency_max_hz)
        self._input_max_dbm = settings.input_max_dbm
        self._reading_timeout_s = settings.timeout_s + settings.reading_time_s
        self._set: dict[str, float] = {}
        # What an analyser that was switched off and on between two readings must be told again.
        self._wanted: dict[str, tuple[Callable[[float], None], float]] = {}
        self._to_dbm: Callable[[float], float] | None = None

    def set_center(self, frequency_hz: float) -> None:
        """
        Set the middle of the sweep. [Hz]

        Raises:
            LimitError: Outside frequency_min..frequency_max of the bench file.
        """
        self._apply_frequency("center", frequency_hz, self._set_center)

    def set_span(self, span_hz: float) -> None:
        """
        Set the width of the sweep; 0: no sweep, the level over time at the centre. [Hz]

        Raises:
            LimitError: Negative, or wider than the bench file's band.
        """
        low_hz, high_hz = self._frequency_range_hz
        self._apply("span_hz", span_hz, 0.0, high_hz - low_hz, "Hz", "frequency_max", self._set_span)

    def set_resolution_bandwidth(self, bandwidth_hz: float) -> None:
        """
        Set the resolution bandwidth; the instrument takes the nearest it has. [Hz]

        Raises:
            LimitError: Below 1 Hz or wider than the bench file's band.
        """
        low_hz, high_hz = self._frequency_range_hz
        self._apply("resolution_bandwidth_hz", bandwidth_hz, 1.0, high_hz - low_hz, "Hz", "frequency_max", self._set_bandwidth)

    def set_reference_level(self, level_dbm: float) -> None:
        """
        Set the level at the top of the screen. [dBm]

        Raises:
            LimitError: Above what its input stands (input_max).
        """
        self._apply("reference_level_dbm", level_dbm, -200.0, self._input_max_dbm, "dBm", "input_max", self._set_reference_level)

    def set_attenuation(self, attenuation_db: float) -> None:
        """
        Set the input attenuator. [dB]

        Raises:
            LimitError: Negative, or above 100 dB.
        """
        self._apply("attenuation_db", attenuation_db, 0.0, 100.0, "dB", "role", self._set_attenuation)

    def set_marker(self, frequency_hz: float) -> None:
        """
        Put the marker that is read at a frequency. [Hz]

        Raises:
            LimitError: Outside frequency_min..frequency_max of the bench file.
        """
        self._apply_frequency("marker", frequency_hz, self._set_marker)

    def setpoint(self, setting: str) -> float:
        """What was set last, e.g. `setpoint("center_hz")`; NaN when it is not known."""
        return self._set.get(setting, math.nan)

    def arm(self) -> None:
        """Start a sweep. What was forgotten since it was set (see `forget_settings`) is set again first."""
        if self._to_dbm is None:
            self._restore()
        self._arm(self._reading_question())

    def collect(self) -> float:
        """
        Level at the marker. NaN: the analyser has none. [dBm]

        Raises:
            LimitError: More than its input stands (input_max).
        """
        question, reply = self._collect()
        value = self._number(question, reply)
        if self._to_dbm is None:  # the unit was forgotten between arm and collect
            raise MisuseError(f"{self.name}: settings were forgotten while a reading was due")
        level_dbm = self._to_dbm(value)
        if level_dbm > self._input_max_dbm:
            raise LimitError(f"level at {self.name}", level_dbm, self._input_max_dbm, "dBm", bench_key(self.name, "input_max"))
        return level_dbm

    def forget_settings(self) -> None:
        self._set.clear()
        self._to_dbm = None

    def _apply_frequency(self, what: str, frequency_hz: float, hook: Callable[[float], None]) -> None:
        low_hz, high_hz = self._frequency_range_hz
        key = "frequency_min" if frequency_hz < low_hz else "frequency_max"
        self._apply(f"{what}_hz", frequency_hz, low_hz, high_hz, "Hz", key, hook)

    def _apply(
        self, setting: str, value: float, low: float, high: float, unit: str, key: str, hook: Callable[[float], None]
    ) -> None:
        if value == self._set.get(setting):
            return
        if not low <= value <= high:
            source = bench_key(self.name, key)
            raise outside(f"{setting} of {self.name}", value, low, high, unit, source, source)
        self._set.pop(setting, None)
        hook(value)
        self._set[setting] = value
        self._wanted[setting] = (hook, value)
        self._note(setting, value)

    def _prepare(self) -> None:
        # Reset: offsets and corrections that somebody left on would be a silent error in every reading.
        self._reset()
        self._wanted.clear()
        self._restore()

    def _restore(self) -> None:
        self._configure()
        for setting, (hook, value) in self._wanted.items():
            if setting not in self._set:
                hook(value)
                self._set[setting] = value
        self._learn_unit()

    def _learn_unit(self) -> None:
        unit = self._values["power_unit"] or self._ask_unit()
        convert = POWER_UNITS.get(unit.strip().upper())
        if convert is None:
            raise ReplyError(self.name, f"its power unit is {unit!r}; only {' and '.join(POWER_UNITS)} are understood")
        self._to_dbm = convert

    @abstractmethod
    def _set_center(self, frequency_hz: float) -> None: ...

    @abstractmethod
    def _set_span(self, span_hz: float) -> None: ...

    @abstractmethod
    def _set_bandwidth(self, bandwidth_hz: float) -> None: ...

    @abstractmethod
    def _set_reference_level(self, level_dbm: float) -> None: ...

    @abstractmethod
    def _set_attenuation(self, attenuation_db: float) -> None: ...

    @abstractmethod
    def _set_marker(self, frequency_hz: float) -> None: ...

    @abstractmethod
    def _ask_unit(self) -> str:
        """The unit the marker answers in: DBM or W."""

    @abstractmethod
    def _reading_question(self) -> str:
        """One message that starts a sweep, waits for its end and asks for the marker."""
