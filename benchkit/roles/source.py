"""RF sources: one carrier, one level, and a limit of its own."""

from __future__ import annotations

import math
from abc import abstractmethod
from typing import ClassVar

from benchkit.errors import InstrumentError
from benchkit.link import Link
from benchkit.roles.limits import bench_key, outside
from benchkit.roles.rf_output import RfOutput
from benchkit.roles.settings import SourceSettings

__all__ = ["Source"]


class Source(RfOutput):
    """An RF source: one carrier at its own connector."""

    ROLE: ClassVar[str] = "source"
    VALUES: ClassVar[dict[str, str]] = {**RfOutput.VALUES, "frequency_resolution_hz": "1"}

    settings: SourceSettings

    def __init__(self, name: str, link: Link, settings: SourceSettings) -> None:
        super().__init__(name, link, settings)
        self._frequency_range_hz = (settings.frequency_min_hz, settings.frequency_max_hz)
        self._frequency_resolution_hz = self._value_number("frequency_resolution_hz")
        self._confirmed_hz: float | None = None
        self._frequency_hz: float | None = None

    @property
    def frequency_setpoint_hz(self) -> float:
        """Carrier that was set last; NaN when it is not known. [Hz]"""
        return math.nan if self._frequency_hz is None else self._frequency_hz

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

    def confirm(self) -> None:
        """Read back level and RF state as RfOutput does, and before them the carrier when it is new."""
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
        super().confirm()

    def forget_settings(self) -> None:
        super().forget_settings()
        self._frequency_hz = self._confirmed_hz = None

    def _prepare(self) -> None:
        # Off before the reset, because a reset may pass through any state. The reset itself is needed: an offset or a
        # modulation that somebody left on would be a silent error in every level.
        self._output_off()
        self._reset()
        self._configure()
        self._output_off_verified()

    @abstractmethod
    def _set_frequency(self, frequency_hz: float) -> None: ...

    @abstractmethod
    def _ask_frequency(self) -> float:
        """Carrier set. [Hz]"""
