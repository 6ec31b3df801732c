"""RF sources: one carrier, one level, and a limit of its own."""

from __future__ import annotations

import math
from abc import abstractmethod
from typing import ClassVar

from benchkit.errors import InstrumentError, ProtectionError
from benchkit.link import Link
from benchkit.roles.instrument import Instrument
from benchkit.roles.limits import bench_key, outside
from benchkit.roles.settings import SourceSettings

__all__ = ["Source"]


class Source(Instrument):
    """
    An RF source. Levels are those at its own connector.

    A level limit in an instrument may clamp in silence what is asked for. So a level above the limit that was set is
    refused here already, whether or not the instrument has one.
    """

    ROLE: ClassVar[str] = "source"
    VALUES: ClassVar[dict[str, str]] = {
        "level_limit_resolution_db": "0.01",
        "level_resolution_db": "0.01",
        "frequency_resolution_hz": "1",
    }

    settings: SourceSettings

    def __init__(self, name: str, link: Link, settings: SourceSettings) -> None:
        super().__init__(name, link, settings)
        self._frequency_range_hz = (settings.frequency_min_hz, settings.frequency_max_hz)
        self._level_min_dbm = settings.level_min_dbm
        self._level_max_dbm = settings.level_max_dbm
        self._settling_time_s = settings.settling_time_s
        self._without_level_limit = settings.without_level_limit
        self._limit_resolution_db = self._value_number("level_limit_resolution_db")
        self._level_resolution_db = self._value_number("level_resolution_db")
        self._frequency_resolution_hz = self._value_number("frequency_resolution_hz")
        self._is_on: bool | None = None
        self._confirmed_hz: float | None = None
        self._frequency_hz: float | None = None
        self._level_dbm: float | None = None
        self._limit_dbm: float | None = None
        self._ceiling_dbm = settings.level_max_dbm
        self._ceiling_source = bench_key(name, "level_max")

    @property
    def settling_time_s(self) -> float:
        """From a change of level or frequency until it is there. [s]"""
        return self._settling_time_s

    @property
    def frequency_setpoint_hz(self) -> float:
        """What was set last; NaN when it is not known. [Hz]"""
        return math.nan if self._frequency_hz is None else self._frequency_hz

    @property
    def level_setpoint_dbm(self) -> float:
        """What was set last; NaN when it is not known. [dBm]"""
        return math.nan if self._level_dbm is None else self._level_dbm

    def set_frequency(self, frequency_hz: float) -> None:
        """
        Set the carrier. [Hz]

        Raises:
            LimitError: Outside frequency_min..frequency_max of the bench file.
        """
        if frequency_hz == self._frequency_hz:
            return
        low_hz, high_hz = self._frequency_range_hz
        if not low_hz <= frequency_hz <= high_hz:
            raise outside(
                f"frequency of {self.name}", frequency_hz, low_hz, high_hz, "Hz",
                bench_key(self.name, "frequency_min"), bench_key(self.name, "frequency_max"),
            )  # fmt: skip
        self._frequency_hz = None  # unknown until it was sent
        self._set_frequency(frequency_hz)
        self._frequency_hz = frequency_hz
        self._note("frequency_hz", frequency_hz)

    def set_level(self, level_dbm: float) -> None:
        """
        Set the level at its connector. [dBm]

        Raises:
            LimitError: Below level_min, above level_max of the bench file or above the level limit that was set.
        """
        if level_dbm == self._level_dbm:
            return
        if not self._level_min_dbm <= level_dbm <= self._ceiling_dbm:
            raise outside(
                f"level of {self.name}", level_dbm, self._level_min_dbm, self._ceiling_dbm, "dBm",
                bench_key(self.name, "level_min"), self._ceiling_source,
            )  # fmt: skip
        self._level_dbm = None
        self._set_level(level_dbm)
        self._level_dbm = level_dbm
        self._note("level_dbm", level_dbm)

    def set_level_limit(self, level_dbm: float) -> None:
        """
        Set the level the instrument itself must not pass, and read it back. [dBm]

        With `without_level_limit` in the bench file nothing is sent; levels above it are refused here all the same.

        Raises:
            LimitError: Below level_min or above level_max of the bench file.
            ProtectionError: It reads back otherwise, by more than the instrument's resolution, or as switched off.
        """
        if not self._level_min_dbm <= level_dbm <= self._level_max_dbm:
            raise outside(
                f"level limit of {self.name}", level_dbm, self._level_min_dbm, self._level_max_dbm, "dBm",
                bench_key(self.name, "level_min"), bench_key(self.name, "level_max"),
            )  # fmt: skip
        if level_dbm == self._limit_dbm:
            return
        if not self._without_level_limit:
            self._limit_dbm = None
            self._level_dbm = None  # a limit below the level takes it down
            self._set_level_limit(level_dbm)
            actual_dbm, active = self._ask_level_limit()
            if not active:
                raise ProtectionError(self.name, "level limit reads back as switched off")
            if not abs(actual_dbm - level_dbm) <= self._limit_resolution_db:
                raise ProtectionError(
                    self.name,
                    f"level limit reads back as {actual_dbm:.6g} dBm instead of {level_dbm:.6g} dBm, "
                    f"further than its resolution {self._limit_resolution_db:g} dB",
                )
        self._limit_dbm = level_dbm
        self._ceiling_dbm = level_dbm
        if level_dbm < self._level_max_dbm:
            self._ceiling_source = f"level limit of {self.name}, set before"
        else:
            self._ceiling_source = bench_key(self.name, "level_max")
        self._note("level_limit_dbm", level_dbm)

    def check_level_limit(self) -> None:
        """
        Read back the level limit that was set, whatever is remembered: a source that was switched off and on has lost it.

        Raises:
            ProtectionError: It reads back otherwise than it was set.
        """
        if self._limit_dbm is None or self._without_level_limit:
            return
        actual_dbm, active = self._ask_level_limit()
        if not active or not abs(actual_dbm - self._limit_dbm) <= self._limit_resolution_db:
            state = f"{actual_dbm:.6g} dBm" if active else "switched off"
            asked_dbm = self._limit_dbm
            self.forget_settings()
            raise ProtectionError(
                self.name,
                f"level limit reads back as {state} instead of {asked_dbm:.6g} dBm; it was set and verified before: was the "
                "source switched off and on, or set by hand?",
            )

    def output_on(self) -> None:
        """Switch RF on, at the level set."""
        self._is_on = None
        self._output_on()
        self._is_on = True
        self._note("output", "on")

    def output_off(self) -> None:
        """Switch RF off."""
        self._is_on = None
        self._output_off()
        self._is_on = False
        self._note("output", "off")

    def is_output_on(self) -> bool:
        """Ask whether RF is on."""
        return self._ask_output()

    def confirm(self) -> None:
        """
        Ask level and RF state back, in one question, and the frequency when it is new; all must be as they were set last.

        A raw socket does not acknowledge what is written to it, and two sockets keep no order between them: only an answer
        says that the level has arrived, and settling counts from there. A source that ignores commands is found here too.

        Raises:
            InstrumentError: One of them is not; what the part sees is not what was asked for.
        """
        if self._frequency_hz is not None and self._frequency_hz != self._confirmed_hz:
            actual_hz = self._ask_frequency()
            if not abs(actual_hz - self._frequency_hz) <= self._frequency_resolution_hz:
                asked_hz, self._frequency_hz = self._frequency_hz, None
                raise InstrumentError(
                    self.name,
                    f"frequency reads back as {actual_hz:.12g} Hz after {asked_hz:.12g} Hz was set; it does not do what it is "
                    "told",
                )
            self._confirmed_hz = self._frequency_hz
        level_dbm, is_on = self._ask_level()
        if self._level_dbm is not None and not abs(level_dbm - self._level_dbm) <= self._level_resolution_db:
            asked_dbm, self._level_dbm = self._level_dbm, None
            raise InstrumentError(
                self.name,
                f"level reads back as {level_dbm:.6g} dBm after {asked_dbm:.6g} dBm was set; it does not do what it is told",
            )
        if self._is_on is not None and is_on is not self._is_on:
            told, now = ("on", "off") if self._is_on else ("off", "on")
            raise InstrumentError(self.name, f"RF reads {now} after it was switched {told}; it does not do what it is told")

    def forget_settings(self) -> None:
        self._frequency_hz = self._level_dbm = self._limit_dbm = self._confirmed_hz = None
        self._is_on = None

    def missing_protections(self) -> tuple[str, ...]:
        if not self._without_level_limit:
            return ()
        return (f"{self.name}: no level limit of its own ({bench_key(self.name, 'without_level_limit')})",)

    def _prepare(self) -> None:
        # Off before the reset: what a reset does on its way is the instrument's affair. The reset itself is wanted: an
        # offset or a modulation that somebody left on would be a silent error in every level.
        self._output_off()
        self._reset()
        self._configure()
        self._output_off_verified()

    def _make_safe(self) -> None:
        self._output_off_verified()

    def _shout_safe(self) -> None:
        self._shout("output_off")

    def _output_off_verified(self) -> None:
        self.output_off()
        if self._ask_output():
            raise InstrumentError(self.name, "RF reads on after it was switched off")

    @abstractmethod
    def _set_frequency(self, frequency_hz: float) -> None: ...

    @abstractmethod
    def _set_level(self, level_dbm: float) -> None: ...

    @abstractmethod
    def _ask_frequency(self) -> float:
        """Carrier set. [Hz]"""

    @abstractmethod
    def _ask_level(self) -> tuple[float, bool]:
        """Level set, in dBm, and whether RF is on."""

    @abstractmethod
    def _set_level_limit(self, level_dbm: float) -> None:
        """Set it and switch it on."""

    @abstractmethod
    def _ask_level_limit(self) -> tuple[float, bool]:
        """Level in dBm, and whether it is switched on."""

    @abstractmethod
    def _output_on(self) -> None: ...

    @abstractmethod
    def _output_off(self) -> None: ...

    @abstractmethod
    def _ask_output(self) -> bool: ...
