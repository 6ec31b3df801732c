"""What can feed RF into the device: a level, a limit of its own, RF on and off, all read back."""

from __future__ import annotations

import math
from abc import abstractmethod
from typing import ClassVar

from benchkit.errors import InstrumentError, ProtectionError
from benchkit.link import Link
from benchkit.roles.instrument import Instrument
from benchkit.roles.limits import bench_key, outside
from benchkit.roles.settings import RfOutputSettings

__all__ = ["RfOutput"]


class RfOutput(Instrument):
    """
    The RF output of a source or a network analyser. Levels are those at its own connector.

    An instrument's own level limit may clamp a setting in silence. A level above the limit that was set is therefore refused
    here, whether or not the instrument has such a limit.
    """

    VALUES: ClassVar[dict[str, str]] = {"level_limit_resolution_db": "0.01", "level_resolution_db": "0.01"}

    settings: RfOutputSettings

    def __init__(self, name: str, link: Link, settings: RfOutputSettings) -> None:
        super().__init__(name, link, settings)
        self._level_min_dbm, self._level_max_dbm = settings.level_min_dbm, settings.level_max_dbm
        self._settling_time_s = settings.settling_time_s
        self._limit_resolution_db = self._value_number("level_limit_resolution_db")
        self._level_resolution_db = self._value_number("level_resolution_db")
        self._is_on: bool | None = None
        self._level_dbm: float | None = None
        self._limit_dbm: float | None = None
        self._ceiling_dbm = settings.level_max_dbm
        self._ceiling_source = bench_key(name, "level_max")

    @property
    def settling_time_s(self) -> float:
        """Time from a change of level, frequency or RF state until it has settled. [s]"""
        return self._settling_time_s

    @property
    def level_setpoint_dbm(self) -> float:
        """Level that was set last; NaN when it is not known. [dBm]"""
        return math.nan if self._level_dbm is None else self._level_dbm

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
        Set the level that the instrument itself must not pass, and read it back. [dBm]

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
        if not self.settings.without_level_limit:
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
        self._limit_dbm = self._ceiling_dbm = level_dbm
        is_lower = level_dbm < self._level_max_dbm
        self._ceiling_source = f"level limit of {self.name}, set before" if is_lower else bench_key(self.name, "level_max")
        self._note("level_limit_dbm", level_dbm)

    def check_level_limit(self) -> None:
        """
        Read back the level limit that was set: an instrument that was switched off and on has lost it.

        Raises:
            ProtectionError: It reads back otherwise than it was set.
        """
        if self._limit_dbm is None or self.settings.without_level_limit:
            return
        actual_dbm, active = self._ask_level_limit()
        if not active or not abs(actual_dbm - self._limit_dbm) <= self._limit_resolution_db:
            state = f"{actual_dbm:.6g} dBm" if active else "switched off"
            asked_dbm = self._limit_dbm
            self.forget_settings()
            raise ProtectionError(
                self.name,
                f"level limit reads back as {state} instead of {asked_dbm:.6g} dBm; it was set and verified before: was it "
                "switched off and on, or set by hand?",
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
        Read back level and RF state, in one question; both must be as they were set last.

        A raw socket does not acknowledge writes, and two sockets keep no order between them. Only an answer says that the level
        has arrived, and settling counts from there. An instrument that ignores commands is found here too.

        Raises:
            InstrumentError: One of them is not; what the part sees is not what was asked for.
        """
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
        super().forget_settings()
        self._level_dbm = self._limit_dbm = None
        self._is_on = None

    def missing_protections(self) -> tuple[str, ...]:
        if not self.settings.without_level_limit:
            return ()
        return (f"{self.name}: no level limit of its own ({bench_key(self.name, 'without_level_limit')})",)

    def _make_safe(self) -> None:
        self._output_off_verified()

    def _shout_safe(self) -> None:
        self._shout("output_off")

    def _output_off_verified(self) -> None:
        self.output_off()
        if self._ask_output():
            raise InstrumentError(self.name, "RF reads on after it was switched off")

    @abstractmethod
    def _set_level(self, level_dbm: float) -> None: ...

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
