"""
Two-port network analysers: S-parameters as the instrument sees them, raw.

Its own error correction is switched off, and read back so: what is stored is raw, and corrected by a calibration that is
stored beside it. RF must be off while a part or a standard is connected, as with any source.
"""

from __future__ import annotations

import itertools
import math
from abc import abstractmethod
from collections.abc import Sequence
from typing import TYPE_CHECKING, ClassVar

from benchkit.errors import InstrumentError, MisuseError, ReplyError
from benchkit.link import Link
from benchkit.roles.arrays import ArrayInstrument
from benchkit.roles.limits import bench_key, outside
from benchkit.roles.rf_output import RfOutput
from benchkit.roles.settings import NetworkAnalyserSettings

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["NetworkAnalyser"]

PARAMETERS = ((1, 1), (2, 1), (1, 2), (2, 2))
"""(output port, input port) of trace 1 to 4: S11, S21, S12, S22."""

_AVERAGES_MAX = 65536
_BANDWIDTH_MIN_HZ, _BANDWIDTH_MAX_HZ = 1.0, 20e6
# Frequencies may read back this far from what was set: no synthesiser here is coarser than 1 Hz.
_NEAR_HZ = 1.0
# A sweep takes its points' time, and what switching direction and flying back cost.
_SWEEP_TIME_MARGIN = 2.0


class NetworkAnalyser(RfOutput, ArrayInstrument):
    """
    A two-port network analyser. One reading is one sweep, or as many as are averaged, with each port driving in turn. Both ports
    have the same level. With RF on it stands at the first frequency until a sweep begins.
    """

    ROLE: ClassVar[str] = "network analyser"
    VALUES: ClassVar[dict[str, str]] = {**ArrayInstrument.VALUES, **RfOutput.VALUES}

    settings: NetworkAnalyserSettings

    def __init__(self, name: str, link: Link, settings: NetworkAnalyserSettings) -> None:
        super().__init__(name, link, settings)
        self._wanted_level_dbm: float | None = None
        self._grid_hz: NDArray[np.float64] | None = None
        self._wanted_hz: tuple[float, ...] | None = None
        self._bandwidth_hz: float | None = None
        self._wanted_bandwidth_hz: float | None = None
        self._averages: int | None = None
        self._wanted_averages: int | None = None
        self._configured = self._ready = False

    # ------------------------------------------------------------------ settings

    @property
    def frequencies_hz(self) -> NDArray[np.float64]:
        """
        As they read back, shape (points,). [Hz]

        Raises:
            MisuseError: They are not known: never set, or forgotten.
        """
        if self._grid_hz is None:
            raise MisuseError(f"{self.name}: its frequencies are not known; set_frequencies() or set_sweep() first")
        return self._grid_hz.copy()

    def set_sweep(self, start_hz: float, stop_hz: float, points: int) -> None:
        """
        Set equally spaced frequencies from `start_hz` to `stop_hz`, both included. [Hz]

        Raises:
            LimitError, MisuseError, InstrumentError: As set_frequencies.
        """
        if not 2 <= points <= self.settings.points_max or int(points) != points:
            limit = f"{self.settings.points_max} ({bench_key(self.name, 'points_max')})"
            raise MisuseError(f"{self.name}: {points!r} points; it must be a whole number from 2 to {limit}")
        step_hz = (stop_hz - start_hz) / (points - 1)
        self.set_frequencies([*(start_hz + index * step_hz for index in range(int(points) - 1)), stop_hz])

    def set_frequencies(self, frequencies_hz: Sequence[float]) -> None:
        """
        Set the frequencies of the sweep, and read them back. Equally spaced ones are set as a sweep, others as a list. [Hz]

        Args:
            frequencies_hz: Strictly ascending.

        Raises:
            LimitError: One is outside frequency_min..frequency_max of the bench file.
            MisuseError: None at all, more than points_max of the bench file, or not ascending.
            InstrumentError: They read back otherwise, by more than 1 Hz.
        """
        wanted = tuple(float(frequency_hz) for frequency_hz in frequencies_hz)
        if self._grid_hz is not None and wanted == self._wanted_hz:
            return
        if not 1 <= len(wanted) <= self.settings.points_max:
            limit = f"{self.settings.points_max} ({bench_key(self.name, 'points_max')})"
            raise MisuseError(f"{self.name}: {len(wanted)} frequencies; from 1 to {limit} fit")
        low_hz, high_hz = self.settings.frequency_min_hz, self.settings.frequency_max_hz
        for frequency_hz in wanted:
            if not low_hz <= frequency_hz <= high_hz:
                low_key, high_key = bench_key(self.name, "frequency_min"), bench_key(self.name, "frequency_max")
                raise outside(f"frequency of {self.name}", frequency_hz, low_hz, high_hz, "Hz", low_key, high_key)
        if any(not first < second for first, second in itertools.pairwise(wanted)):
            raise MisuseError(f"{self.name}: frequencies must ascend, each above the one before")
        self._grid_hz = None
        if _is_even(wanted):
            self._set_sweep(wanted[0], wanted[-1], len(wanted))
            grid = self._ask_sweep()
        else:
            self._set_list(wanted)
            grid = self._ask_list(len(wanted))
        self._grid_hz = self._verified(grid, wanted)
        self._wanted_hz = wanted
        self._note("frequencies_hz", f"{wanted[0]:.10g} to {wanted[-1]:.10g}, {len(wanted)} points")

    def set_if_bandwidth(self, bandwidth_hz: float) -> None:
        """
        Set the bandwidth of its receivers; the instrument takes the nearest it has: see `if_bandwidth_hz`. [Hz]

        Raises:
            LimitError: Not from 1 Hz to 20 MHz.
        """
        if self._bandwidth_hz is not None and bandwidth_hz == self._wanted_bandwidth_hz:
            return
        if not _BANDWIDTH_MIN_HZ <= bandwidth_hz <= _BANDWIDTH_MAX_HZ:
            source = f"{self.name}: what this role allows"
            raise outside("IF bandwidth", bandwidth_hz, _BANDWIDTH_MIN_HZ, _BANDWIDTH_MAX_HZ, "Hz", source, source)
        self._bandwidth_hz = None
        self._set_bandwidth(bandwidth_hz)
        actual_hz = self._ask_bandwidth()
        if not 0.0 < actual_hz < math.inf:
            raise ReplyError(self.name, f"IF bandwidth reads back as {actual_hz:g} Hz")
        self._bandwidth_hz, self._wanted_bandwidth_hz = actual_hz, bandwidth_hz
        self._note("if_bandwidth_hz", actual_hz)

    @property
    def if_bandwidth_hz(self) -> float:
        """As it read back; NaN when it is not known. [Hz]"""
        return math.nan if self._bandwidth_hz is None else self._bandwidth_hz

    def set_averages(self, averages: int) -> None:
        """
        Set how many sweeps are averaged into one reading.

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
        self._note("averages", averages)

    def set_level(self, level_dbm: float) -> None:
        super().set_level(level_dbm)
        self._wanted_level_dbm = level_dbm

    # ------------------------------------------------------------------ readings

    @property
    def sweep_time_s(self) -> float:
        """
        Of one reading as set, by the bench file's reading_time; NaN when a setting is not known. [s]

        A receiver's time for a point goes as one over its bandwidth.
        """
        if self._grid_hz is None or self._bandwidth_hz is None or self._averages is None:
            return math.nan
        per_point_s = self.settings.reading_time_s * self.settings.if_bandwidth_hz / self._bandwidth_hz
        return per_point_s * len(self._grid_hz) * self._averages

    def arm(self) -> None:
        """
        Start a reading. What was forgotten since it was set (see `forget_settings`) is set again first; but not RF.

        Raises:
            MisuseError: Frequencies, level, IF bandwidth or averages were never set, or RF is neither switched on nor
                off: nobody would know what was read.
        """
        if not self.is_armed:
            if not self._ready:
                self._restore()
            if self._is_on is None:
                raise MisuseError(f"{self.name}: arm() before output_on() or output_off(): what would be read is not known")
            self._reading_timeout_s = self._timeout_s + _SWEEP_TIME_MARGIN * self.sweep_time_s
            self._learn_format()
        self._arm(self._reading_question())

    def collect(self) -> NDArray[np.complex128]:
        """
        Raw S-parameters, uncorrected, shape (points, 2, 2): `[k, i, j]` is out of port i + 1, into port j + 1, at
        `frequencies_hz[k]`. NaN: the analyser has none. [1]

        Raises:
            ReplyError: Not two numbers for each point and parameter.
        """
        import numpy as np

        if self.is_armed and not self._ready:
            raise MisuseError(f"{self.name}: settings were forgotten while a reading was due")
        points = 0 if self._grid_hz is None else len(self._grid_hz)
        traces = [self._collect_array(2 * points)]
        traces += [self._ask_trace(trace, 2 * points) for trace in range(2, len(PARAMETERS) + 1)]
        raw = np.empty((points, 2, 2), dtype=np.complex128)
        for (output_port, input_port), values in zip(PARAMETERS, traces, strict=True):
            raw[:, output_port - 1, input_port - 1] = values[0::2] + 1j * values[1::2]
        return raw

    def forget_settings(self) -> None:
        super().forget_settings()
        self._configured = self._ready = False
        self._grid_hz = self._bandwidth_hz = self._averages = None

    def _prepare(self) -> None:
        # Off before the reset: what a reset does on its way is the instrument's affair, and many come up with RF on.
        self._output_off()
        self._reset()
        self._wanted_hz = self._wanted_bandwidth_hz = self._wanted_averages = self._wanted_level_dbm = None
        self._configure_verified()
        self._output_off_verified()

    def _restore(self) -> None:
        self._require_open()
        wanted = (self._wanted_hz, self._wanted_level_dbm, self._wanted_bandwidth_hz, self._wanted_averages)
        frequencies_hz, level_dbm, bandwidth_hz, averages = wanted
        if frequencies_hz is None or level_dbm is None or bandwidth_hz is None or averages is None:
            raise MisuseError(f"{self.name}: arm() before frequencies, level, IF bandwidth and averages are set")
        if not self._configured:
            self._configure_verified()
        self.set_frequencies(frequencies_hz)
        self.set_level(level_dbm)
        self.set_if_bandwidth(bandwidth_hz)
        self.set_averages(averages)
        self._ready = True

    def _configure_verified(self) -> None:
        self._configure()
        if self._ask_is_corrected():
            raise InstrumentError(self.name, "its own error correction reads on after it was switched off; readings must be raw")
        self._configured = True

    def _verified(self, grid: Sequence[float] | NDArray[np.float64], wanted: tuple[float, ...]) -> NDArray[np.float64]:
        import numpy as np

        actual = np.asarray(grid, dtype=np.float64)
        if len(actual) != len(wanted):
            raise InstrumentError(self.name, f"it reads back {len(actual)} points after {len(wanted)} were set")
        off_hz = np.abs(actual - np.array(wanted))
        if not np.all(off_hz <= _NEAR_HZ):
            worst = int(np.argmax(np.nan_to_num(off_hz, nan=np.inf)))
            raise InstrumentError(
                self.name, f"point {worst + 1} reads back as {actual[worst]:.12g} Hz after {wanted[worst]:.12g} Hz was set"
            )
        return actual

    # ------------------------------------------------------------------ hooks

    @abstractmethod
    def _set_sweep(self, start_hz: float, stop_hz: float, points: int) -> None: ...

    @abstractmethod
    def _ask_sweep(self) -> NDArray[np.float64]:
        """The frequencies of the sweep that was set. [Hz]"""

    @abstractmethod
    def _set_list(self, frequencies_hz: tuple[float, ...]) -> None: ...

    @abstractmethod
    def _ask_list(self, expected: int) -> NDArray[np.float64]:
        """The frequencies of the list that was set, as many as `expected`. [Hz]"""

    @abstractmethod
    def _set_bandwidth(self, bandwidth_hz: float) -> None: ...

    @abstractmethod
    def _ask_bandwidth(self) -> float: ...

    @abstractmethod
    def _set_averages(self, averages: int) -> None: ...

    @abstractmethod
    def _ask_is_corrected(self) -> bool:
        """Whether its own error correction is on."""

    @abstractmethod
    def _reading_question(self) -> str:
        """One message that sweeps, waits for the end of the last sweep and asks for trace 1 (S11), complex."""

    @abstractmethod
    def _ask_trace(self, trace: int, expected: int) -> NDArray[np.float64]:
        """Trace 2 to 4 (S21, S12, S22) of the same sweep: real and imaginary part in turn, `expected` numbers."""


def _is_even(wanted: tuple[float, ...]) -> bool:
    if len(wanted) < 2:
        return False
    step_hz = (wanted[-1] - wanted[0]) / (len(wanted) - 1)
    return all(abs(wanted[0] + index * step_hz - frequency_hz) <= 1e-3 for index, frequency_hz in enumerate(wanted))
