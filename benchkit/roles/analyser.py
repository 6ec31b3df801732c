"""
Spectrum analysers: the level at one marker, the levels of a list of lines, or a whole trace.

A list of lines is read by narrow sweeps, one for each line: one wide sweep with many markers would need a wide filter, and
the noise of it. It is armed and collected in two steps as everything else: arming starts the first sweep, collecting takes it
and does the others, while every other instrument that was armed goes on by itself. Sweeps are not chained in one message: what
is left of such a message when it is given up would go on in the instrument.
"""

from __future__ import annotations

import math
from abc import abstractmethod
from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING, ClassVar

from benchkit.errors import InstrumentError, LimitError, MisuseError, ReplyError
from benchkit.link import Link
from benchkit.roles.analyser_ratings import floor_dbm, own_second_dbm, own_third_dbm
from benchkit.roles.arrays import ArrayInstrument
from benchkit.roles.limits import bench_key, outside
from benchkit.roles.settings import AnalyserSettings
from benchkit.roles.units import POWER_UNITS

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

__all__ = ["Analyser", "Meanwhile"]

Meanwhile = Callable[[float], float]
"""
Called while a sweep is under way, with how long it takes from its start by what the analyser says, so that other instruments are
looked at meanwhile. Returns how much of it is left. It may raise: the sweep is then given up with `abandon`. [s]
"""

DETECTORS = ("average", "peak")
_LINES_MAX = 32
_POINTS_MAX = 100_001
_ATTENUATION_MAX_DB = 100.0
_ATTENUATION_NEAR_DB = 0.05


class Analyser(ArrayInstrument):
    """
    A spectrum analyser. Levels are those at its connector. What `arm` starts `collect` takes, and likewise `arm_levels`
    with `collect_levels` and `arm_sweep` with `collect_sweep`.
    """

    ROLE: ClassVar[str] = "analyser"
    VALUES: ClassVar[dict[str, str]] = {**ArrayInstrument.VALUES, "power_unit": ""}
    """`power_unit`: DBM or W for an analyser that cannot be asked for its unit; empty: ask."""

    settings: AnalyserSettings

    def __init__(self, name: str, link: Link, settings: AnalyserSettings) -> None:
        super().__init__(name, link, settings)
        self._frequency_range_hz = (settings.frequency_min_hz, settings.frequency_max_hz)
        self._input_max_dbm = settings.input_max_dbm
        # Of one sweep; None: not known since something changed that it depends on.
        self._sweep_time_s: float | None = None
        self._axis: tuple[float, float, int] | None = None
        self._actual_bandwidth_hz = math.nan
        self._armed_kind = ""
        self._lines: tuple[float, ...] = ()
        self._detector: str | None = None
        self._wanted_detector: str | None = None
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
        self._apply_frequency("center", frequency_hz, self._set_center_of)

    def set_span(self, span_hz: float) -> None:
        """
        Set the width of the sweep; 0: no sweep, the level over time at the centre. [Hz]

        Raises:
            LimitError: Negative, or wider than the bench file's band.
        """
        low_hz, high_hz = self._frequency_range_hz
        self._apply("span_hz", span_hz, 0.0, high_hz - low_hz, "Hz", "frequency_max", self._set_span_of)

    def set_resolution_bandwidth(self, bandwidth_hz: float) -> None:
        """
        Set the resolution bandwidth; the instrument takes the nearest it has: see `resolution_bandwidth_hz`. [Hz]

        Raises:
            LimitError: Below 1 Hz or wider than the bench file's band.
        """
        low_hz, high_hz = self._frequency_range_hz
        widest_hz, hook = high_hz - low_hz, self._set_bandwidth_verified
        self._apply("resolution_bandwidth_hz", bandwidth_hz, 1.0, widest_hz, "Hz", "frequency_max", hook)

    def set_reference_level(self, level_dbm: float) -> None:
        """
        Set the level at the top of the screen. [dBm]

        Raises:
            LimitError: Above what its input stands (input_max).
        """
        self._apply("reference_level_dbm", level_dbm, -200.0, self._input_max_dbm, "dBm", "input_max", self._set_reference_level)

    def set_attenuation(self, attenuation_db: float) -> None:
        """
        Set the input attenuator, and read it back: noise and distortion of the reading depend on it. [dB]

        Raises:
            LimitError: Negative, or above attenuation_max of the bench file (100 dB where it states none).
            InstrumentError: It reads back otherwise: an attenuator has steps, and takes another one in silence.
        """
        stated_db = self.settings.attenuation_max_db
        highest_db, key = (_ATTENUATION_MAX_DB, "role") if stated_db is None else (stated_db, "attenuation_max")
        self._apply("attenuation_db", attenuation_db, 0.0, highest_db, "dB", key, self._set_attenuation_verified)

    def set_points(self, points: int) -> None:
        """
        Set how many points a sweep has.

        Raises:
            MisuseError: Not a whole number from 2 to 100001.
        """
        if not 2 <= points <= _POINTS_MAX or int(points) != points:
            raise MisuseError(f"{self.name}: {points!r} points; it must be a whole number from 2 to {_POINTS_MAX}")
        self._apply("points", float(points), 2.0, float(_POINTS_MAX), "", "role", self._set_points_of)

    def set_detector(self, detector: str) -> None:
        """
        Set what a point of the trace stands for: the "average" of its interval, or its "peak", so that no line is missed.

        Raises:
            MisuseError: Neither.
        """
        if detector == self._detector:
            return
        if detector not in DETECTORS:
            raise MisuseError(f"{self.name}: detects {' or '.join(DETECTORS)}, not {detector!r}")
        self._detector = None
        self._set_detector(detector)
        self._detector = self._wanted_detector = detector
        self._sweep_time_s = None
        self._note("detector", detector)

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

    @property
    def resolution_bandwidth_hz(self) -> float:
        """The one it took when it was set last; NaN when it is not known. [Hz]"""
        return self._actual_bandwidth_hz

    @property
    def noise_floor_dbm(self) -> float:
        """Noise at its input as set now, by its rating; NaN when that or a setting is not known. [dBm]"""
        return floor_dbm(self.settings.noise_floor_dbm, self._actual_bandwidth_hz, self.setpoint("attenuation_db"))

    def own_third_dbm(self, tone_dbm: float) -> float:
        """Its own third-order product of two equal tones as set now, by its rating; NaN when that is not known. [dBm]"""
        return own_third_dbm(self.settings.intercept_dbm, tone_dbm, self.setpoint("attenuation_db"))

    def own_second_dbm(self, tone_dbm: float) -> float:
        """Its own second harmonic of a tone as set now, by its rating; NaN when that is not known. [dBm]"""
        return own_second_dbm(self.settings.second_intercept_dbm, tone_dbm, self.setpoint("attenuation_db"))

    # ------------------------------------------------------------------ readings

    def arm(self) -> None:
        """Start a sweep. What was forgotten since it was set (see `forget_settings`) is set again first."""
        self._begin("marker", self._reading_question)

    def collect(self) -> float:
        """
        Level at the marker. NaN: the analyser has none. [dBm]

        Raises:
            LimitError: More than its input stands (input_max).
        """
        self._require_armed("marker", "arm()")
        question, reply = self._collect()
        return self._level(self._number(question, reply))

    def arm_levels(self, frequencies_hz: Sequence[float]) -> None:
        """
        Start the first of several sweeps, one for each line: centre and marker on the line, span and bandwidth as set. [Hz]

        Centre and marker are elsewhere afterwards. The lines must be where they are said to be: source and analyser share
        a frequency reference, or the bandwidth is wider than they differ.

        Raises:
            LimitError: One of them is outside frequency_min..frequency_max of the bench file.
            MisuseError: None, or more than 32.
        """
        lines = tuple(frequencies_hz)
        if not 1 <= len(lines) <= _LINES_MAX:
            raise MisuseError(f"{self.name}: {len(lines)} lines asked for; from 1 to {_LINES_MAX} can be read at once")
        for frequency_hz in lines:
            self._check_frequency("line", frequency_hz)
        self._begin("levels", lambda: self._line_question(lines[0]))
        self._lines = lines
        # Each line's own message sets both. Told again after a power cut, the last line's marker would lie outside the span of
        # whatever is asked for then.
        for setting in ("center_hz", "marker_hz"):
            self._set.pop(setting, None)
            self._wanted.pop(setting, None)
        self._axis = None

    def collect_levels(self, meanwhile: Meanwhile | None = None) -> tuple[float, ...]:
        """
        Levels of the lines, in the order asked for. NaN: the analyser has none. [dBm]

        Args:
            meanwhile: Called once for each line.

        Raises:
            LimitError: More than its input stands (input_max).
        """
        return tuple(self.each_level(meanwhile))

    def each_level(self, meanwhile: Meanwhile | None = None) -> Iterator[float]:
        """As `collect_levels`, one by one: the sweep of the next line is started when its level is asked for."""
        self._require_armed("levels", "arm_levels()")
        for number, frequency_hz in enumerate(self._lines):
            if number:
                self._arm(self._line_question(frequency_hz))
            self._wait_with(meanwhile)
            question, reply = self._collect()
            yield self._level(self._number(question, reply))

    def arm_sweep(self) -> None:
        """Start a sweep whose whole trace is wanted."""
        self._restore_if_forgotten()
        self._learn_format()
        if self._axis is None:
            start_hz, stop_hz, points = self._ask_axis()
            if not (start_hz <= stop_hz and points >= 2):
                raise ReplyError(self.name, f"its sweep goes from {start_hz:.10g} Hz to {stop_hz:.10g} Hz in {points} points")
            self._axis = start_hz, stop_hz, points
        self._begin("sweep", self._sweep_question)

    def collect_sweep(self, meanwhile: Meanwhile | None = None) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """
        Frequencies and levels of the trace, each of shape (points,). NaN: the analyser has none. [Hz, dBm]

        Args:
            meanwhile: Called once.

        Raises:
            LimitError: More than its input stands (input_max).
            ReplyError: Not as many levels as the sweep has points.
        """
        import numpy as np

        self._require_armed("sweep", "arm_sweep()")
        axis = self._axis
        if axis is None:
            raise MisuseError(f"{self.name}: settings were forgotten while a sweep was due")
        start_hz, stop_hz, points = axis
        self._wait_with(meanwhile)
        values = self._collect_array(points)
        convert = self._converter()
        levels = values if convert is POWER_UNITS["DBM"] else np.array([convert(value) for value in values.tolist()])
        known = levels[~np.isnan(levels)]
        if known.size:
            self._check_level(float(known.max()))
        return np.linspace(start_hz, stop_hz, points), levels

    def forget_settings(self) -> None:
        super().forget_settings()
        self._set.clear()
        self._to_dbm = self._axis = self._sweep_time_s = self._detector = None
        self._actual_bandwidth_hz = math.nan

    def _begin(self, kind: str, question: Callable[[], str]) -> None:
        self._restore_if_forgotten()
        if self._sweep_time_s is None and not self.is_armed:
            self._sweep_time_s = max(self._ask_sweep_time(), self.settings.reading_time_s)
            if not self._sweep_time_s < math.inf:
                raise ReplyError(self.name, "its sweep time is not a number of seconds")
        self._reading_timeout_s = self._timeout_s + self._expected_s
        self._arm(question())
        self._armed_kind = kind

    @property
    def _expected_s(self) -> float:
        """How long a sweep takes; where the analyser was not asked since something changed, as the bench file says. [s]"""
        return self._sweep_time_s or self.settings.reading_time_s

    def _wait_with(self, meanwhile: Meanwhile | None) -> None:
        if meanwhile is not None:
            # What was waited already is not waited again: an answer that is late is late as soon as without it.
            self._reading_timeout_s = self._timeout_s + meanwhile(self._expected_s)

    def _require_armed(self, kind: str, how: str) -> None:
        if not self.is_armed:
            self._require_open()
            raise MisuseError(f"{self.name}: collected without {how}")
        if self._armed_kind != kind:
            raise MisuseError(f"{self.name}: collected without {how}; what was armed is the {self._armed_kind}")

    def _restore_if_forgotten(self) -> None:
        if self._to_dbm is None and not self.is_armed:
            self._restore()

    def _converter(self) -> Callable[[float], float]:
        if self._to_dbm is None:  # the unit was forgotten between arm and collect
            raise MisuseError(f"{self.name}: settings were forgotten while a reading was due")
        return self._to_dbm

    def _level(self, value: float) -> float:
        level_dbm = self._converter()(value)
        self._check_level(level_dbm)
        return level_dbm

    def _check_level(self, level_dbm: float) -> None:
        if level_dbm > self._input_max_dbm:
            raise LimitError(f"level at {self.name}", level_dbm, self._input_max_dbm, "dBm", bench_key(self.name, "input_max"))

    # ------------------------------------------------------------------ settings

    def _set_attenuation_verified(self, attenuation_db: float) -> None:
        self._set_attenuation(attenuation_db)
        actual_db = self._ask_attenuation()
        if not abs(actual_db - attenuation_db) <= _ATTENUATION_NEAR_DB:
            raise InstrumentError(
                self.name, f"attenuation reads back as {actual_db:g} dB after {attenuation_db:g} dB was set; it has steps"
            )

    def _set_bandwidth_verified(self, bandwidth_hz: float) -> None:
        self._set_bandwidth(bandwidth_hz)
        actual_hz = self._ask_bandwidth()
        self._actual_bandwidth_hz = bandwidth_hz if math.isnan(actual_hz) else actual_hz
        self._sweep_time_s = None

    def _set_span_of(self, span_hz: float) -> None:
        self._set_span(span_hz)
        self._sweep_time_s = self._axis = None

    def _set_center_of(self, frequency_hz: float) -> None:
        self._set_center(frequency_hz)
        self._axis = None

    def _set_points_of(self, points: float) -> None:
        self._set_points(int(points))
        self._sweep_time_s = self._axis = None

    def _apply_frequency(self, what: str, frequency_hz: float, hook: Callable[[float], None]) -> None:
        low_hz, high_hz = self._frequency_range_hz
        key = "frequency_min" if frequency_hz < low_hz else "frequency_max"
        self._apply(f"{what}_hz", frequency_hz, low_hz, high_hz, "Hz", key, hook)

    def _check_frequency(self, what: str, frequency_hz: float) -> None:
        low_hz, high_hz = self._frequency_range_hz
        if not low_hz <= frequency_hz <= high_hz:
            low_key, high_key = bench_key(self.name, "frequency_min"), bench_key(self.name, "frequency_max")
            raise outside(f"{what} read by {self.name}", frequency_hz, low_hz, high_hz, "Hz", low_key, high_key)

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
        self._wanted_detector = None
        self._restore()

    def _restore(self) -> None:
        self._configure()
        for setting, (hook, value) in self._wanted.items():
            if setting not in self._set:
                hook(value)
                self._set[setting] = value
        if self._wanted_detector is not None:
            self.set_detector(self._wanted_detector)
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
    def _set_points(self, points: int) -> None: ...

    @abstractmethod
    def _set_detector(self, detector: str) -> None:
        """ "average" or "peak"."""

    @abstractmethod
    def _ask_attenuation(self) -> float: ...

    @abstractmethod
    def _ask_bandwidth(self) -> float:
        """The resolution bandwidth it took; NaN: it does not say."""

    @abstractmethod
    def _ask_sweep_time(self) -> float:
        """Of one sweep as set; 0: it does not say. [s]"""

    @abstractmethod
    def _ask_axis(self) -> tuple[float, float, int]:
        """First and last frequency of a sweep, and how many points it has. [Hz]"""

    @abstractmethod
    def _line_question(self, frequency_hz: float) -> str:
        """One message that sweeps around a frequency, waits for the end and asks for the level there."""

    @abstractmethod
    def _sweep_question(self) -> str:
        """One message that starts a sweep, waits for its end and asks for the trace."""

    @abstractmethod
    def _set_marker(self, frequency_hz: float) -> None: ...

    @abstractmethod
    def _ask_unit(self) -> str:
        """The unit the marker answers in: DBM or W."""

    @abstractmethod
    def _reading_question(self) -> str:
        """One message that starts a sweep, waits for its end and asks for the marker."""
