"""RF power meters: total power at the sensor's connector."""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Callable
from typing import ClassVar

from benchkit.errors import LimitError, MisuseError, ReplyError
from benchkit.link import Link
from benchkit.roles.limits import bench_key, outside
from benchkit.roles.reading import ReadingInstrument
from benchkit.roles.settings import PowerMeterSettings
from benchkit.roles.units import POWER_UNITS

__all__ = ["PowerMeter"]

_AVERAGES_MAX = 65536


class PowerMeter(ReadingInstrument):
    """
    A power meter. Levels are those at its sensor's connector.

    It may answer in watts: its unit is asked once before the first reading, and again after anything that may have
    changed it.
    """

    ROLE: ClassVar[str] = "power meter"
    VALUES: ClassVar[dict[str, str]] = {"power_unit": "", "zeroing_time_s": "60"}
    """`power_unit`: DBM or W for a meter that cannot be asked for it; empty: ask. `zeroing_time_s`: longest wait."""

    settings: PowerMeterSettings

    def __init__(self, name: str, link: Link, settings: PowerMeterSettings) -> None:
        super().__init__(name, link, settings)
        self._frequency_range_hz = (settings.frequency_min_hz, settings.frequency_max_hz)
        self._input_max_dbm = settings.input_max_dbm
        self._reading_time_s = settings.reading_time_s
        self._zeroing_timeout_s = self._value_number("zeroing_time_s")
        self._frequency_hz: float | None = None
        self._averages: int | None = None
        self._to_dbm: Callable[[float], float] | None = None
        # What a meter that was switched off and on between two readings must be told again: else it would read on at
        # its default frequency's calibration factor, and nobody would know.
        self._wanted_hz: float | None = None
        self._wanted_averages: int | None = None

    @property
    def frequency_setpoint_hz(self) -> float:
        """The correction frequency set last; NaN when it is not known. [Hz]"""
        return math.nan if self._frequency_hz is None else self._frequency_hz

    def set_frequency(self, frequency_hz: float) -> None:
        """
        Set the frequency whose calibration factor is used. [Hz]

        Raises:
            LimitError: Outside frequency_min..frequency_max of the bench file: the sensor is not calibrated there.
        """
        if frequency_hz == self._frequency_hz:
            return
        low_hz, high_hz = self._frequency_range_hz
        if not low_hz <= frequency_hz <= high_hz:
            raise outside(
                f"frequency of {self.name}", frequency_hz, low_hz, high_hz, "Hz",
                bench_key(self.name, "frequency_min"), bench_key(self.name, "frequency_max"),
            )  # fmt: skip
        self._frequency_hz = None
        self._set_frequency(frequency_hz)
        self._frequency_hz = self._wanted_hz = frequency_hz
        self._note("frequency_hz", frequency_hz)

    def set_averages(self, averages: int) -> None:
        """
        Set how many readings are averaged into one.

        Raises:
            MisuseError: Not a whole number from 1 to 65536.
        """
        if averages == self._averages:
            return
        if not 1 <= averages <= _AVERAGES_MAX or int(averages) != averages:
            raise MisuseError(f"{self.name}: {averages!r} averages; it must be a whole number from 1 to {_AVERAGES_MAX}")
        self._averages = None
        self._set_averages(int(averages))
        self._averages = self._wanted_averages = int(averages)
        self._reading_timeout_s = self._timeout_s + self._averages * self._reading_time_s
        self._note("averages", averages)

    def zero(self) -> None:
        """
        Zero the sensor and wait until it is done. RF must be off: what is on the sensor becomes its zero.

        Raises:
            ErrorQueueError: The meter refused, e.g. for power at its sensor.
        """
        self._zero()
        self.check_errors()
        self._note("zero", "done")

    def arm(self) -> None:
        """Start a reading. What was forgotten since it was set (see `forget_settings`) is set again first."""
        if self._to_dbm is None:
            self._restore()
        self._arm(self._reading_question())

    def collect(self) -> float:
        """
        The reading. NaN: the meter has none, or it is not above 0 W; infinite: over or under range. [dBm]

        Raises:
            LimitError: More than the sensor stands (input_max).
        """
        question, reply = self._collect()
        level_dbm = self._level_dbm(question, reply)
        if level_dbm > self._input_max_dbm:
            raise LimitError(f"level at {self.name}", level_dbm, self._input_max_dbm, "dBm", bench_key(self.name, "input_max"))
        return level_dbm

    def forget_settings(self) -> None:
        self._frequency_hz = self._averages = self._to_dbm = None

    def _level_dbm(self, question: str, reply: str) -> float:
        value = self._number(question, reply)
        if self._to_dbm is None:  # the unit was forgotten between arm and collect
            raise MisuseError(f"{self.name}: settings were forgotten while a reading was due")
        return self._to_dbm(value)

    def _prepare(self) -> None:
        # Reset: offsets and corrections that somebody left on would be a silent error in every reading.
        self._reset()
        self._wanted_hz = self._wanted_averages = None
        self._restore()

    def _restore(self) -> None:
        self._configure()
        if self._wanted_hz is not None:
            self.set_frequency(self._wanted_hz)
        if self._wanted_averages is not None:
            self.set_averages(self._wanted_averages)
        self._learn_unit()

    def _learn_unit(self) -> None:
        unit = self._values["power_unit"] or self._ask_unit()
        convert = POWER_UNITS.get(unit.strip().upper())
        if convert is None:
            raise ReplyError(self.name, f"its power unit is {unit!r}; only {' and '.join(POWER_UNITS)} are understood")
        self._to_dbm = convert

    @abstractmethod
    def _set_frequency(self, frequency_hz: float) -> None: ...

    @abstractmethod
    def _set_averages(self, averages: int) -> None: ...

    @abstractmethod
    def _zero(self) -> None:
        """Zero, and return when it is done: within `_zeroing_timeout_s`."""

    @abstractmethod
    def _ask_unit(self) -> str:
        """The unit it answers in: DBM or W."""

    @abstractmethod
    def _reading_question(self) -> str:
        """One message that starts a reading and asks for it."""
